"""Which adapter makes its rates by which rule.

An adapter is known by the numbers that it tells the system: vendor, product and, where
one product number stands for several chips, the number of its release.  What is not in
the table is not guessed at: its rates are "not known" until a known block is timed.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from bench.link.adapters.rates import Rule

EIGHTHS = Rule(Fraction(3_000_000), 8, 16, 8 * 16384, (8, 12))
"""Dividers from 2 on in steps of an eighth, and 1 and 1.5."""

FAST_EIGHTHS = Rule(Fraction(12_000_000), 8, 16, 8 * 16384, (8, 12))
"""The same at four times the clock."""

WHOLE_OF_24_MHZ = Rule(Fraction(24_000_000), 1, 8, 0xFFFF)
"""Whole numbers from 8 on."""

OVERSAMPLING = 16
"""Of a UART on the system's own bus, which tells its clock."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of an adapter's rates.

    Attributes:
        rule: How they are made.
        note: What else a reader has to know.
    """

    rule: Rule
    note: str = ""


_BY_RELEASE = {
    0x0400: Known(EIGHTHS),
    0x0500: Known(EIGHTHS),
    0x0600: Known(EIGHTHS),
    0x0700: Known(FAST_EIGHTHS),
    0x0800: Known(FAST_EIGHTHS),
    0x0900: Known(FAST_EIGHTHS),
    0x1000: Known(EIGHTHS),
}
"""Releases of the products of one vendor, whatever their product numbers are."""

_BY_PRODUCT = {
    (0x10C4, 0xEA60): Known(
        WHOLE_OF_24_MHZ, "older parts of this number know a list of rates only"
    ),
}

_VENDOR_BY_RELEASE = 0x0403


def known_of(
    vendor: int | None, product: int | None, release: int | None
) -> Known | None:
    """What is known of a USB adapter by its numbers; None for nothing."""
    if vendor == _VENDOR_BY_RELEASE:
        return _BY_RELEASE.get(release) if release is not None else None
    if vendor is None or product is None:
        return None
    return _BY_PRODUCT.get((vendor, product))


def known_of_clock(clock_hz: int) -> Known:
    """What is known of a UART that tells its clock."""
    return Known(Rule(Fraction(clock_hz, OVERSAMPLING)))
