"""Line errors: how many packets they cost, and what the check still catches.

The Hamming distance of a check is the least number of wrong bits that it may miss; it
falls with the length of what is checked.  The lengths below are published ones, data
bits without the check's own (the convention of Koopman).
"""

from __future__ import annotations

from fractions import Fraction
from math import expm1, log1p
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.budget.line import BudgetLine
from bench.traffic.load import worst_costs
from bench.wire.checks import Kind

if TYPE_CHECKING:
    from bench.profile.model import Profile
    from bench.wire.checks import Check
    from bench.wire.format import Layout

_PART = "errors"

_CRC_8 = {4: 119}
_CRC_16 = {4: 32_751}

HAMMING: dict[tuple[int, int], dict[int, int]] = {
    (16, 0x3D65): {6: 135},
    (16, 0x1021): _CRC_16,
    (16, 0x8005): _CRC_16,
    (8, 0x07): _CRC_8,
    (8, 0x31): _CRC_8,
    (8, 0x2F): _CRC_8,
    (8, 0x9B): _CRC_8,
    (8, 0xA7): _CRC_8,
    (8, 0x1D): {3: 247, 4: 13},
    (8, 0xD5): {4: 85},
    (32, 0x04C11DB7): {
        3: 4_294_967_263,
        4: 91_607,
        5: 2_974,
        6: 268,
        7: 171,
        8: 91,
        9: 57,
    },
    (32, 0x1EDC6F41): {4: 2_147_483_615, 6: 5_243, 8: 177},
}
"""(width, polynomial): the most data bits for which so great a distance holds."""

_SOURCE = "Koopman, DSN 2002; Koopman and Chakravarty, DSN 2004; CRC zoo"

_FLETCHER_16_BITS = 254 * 8
"""Maxino and Koopman, IEEE TDSC 6(1), 2009: every two wrong bits up to there."""


def distance_of(check: Check, bits: int) -> tuple[int, int | None] | None:
    """The Hamming distance of a check over so many data bits, and up to how many.

    Returns:
        The distance and the most bits for which it holds (None: for any number); None
        where nobody has published it.
    """
    if check.kind == Kind.CRC:
        known = HAMMING.get((check.width, check.poly))
        if known is None:
            return None
        for distance in sorted(known, reverse=True):
            if bits <= known[distance]:
                return distance, known[distance]
        # Past the order of the polynomial two bits can go unnoticed; before it, not.
        return 2, None
    if check.kind == Kind.FLETCHER and check.width == 16:
        return (3, _FLETCHER_16_BITS) if bits <= _FLETCHER_16_BITS else (2, None)
    if check.kind in (Kind.SUM, Kind.XOR):
        return 2, None
    return None if check.kind == Kind.FLETCHER else (1, None)


def covered_bits(layout: Layout) -> int:
    """Bits that the check covers, of the longest packet."""
    rule = layout.check
    if rule is None:
        return 0
    start = rule.start if rule.start >= 0 else layout.longest + rule.start
    end = rule.end if rule.end > 0 else layout.longest + rule.end
    return 8 * (end - start)


def loss_share(bit_errors: float, bits: Fraction | int) -> float:
    """The share of packets that lose at least one of so many bits."""
    return -expm1(float(bits) * log1p(-bit_errors)) if bit_errors < 1 else 1.0


def error_lines(profile: Profile) -> list[BudgetLine]:
    """What line errors do."""
    costs = worst_costs(profile)
    size = max(costs.sizes)
    characters = (costs.packet_ns(size, worst=True) - costs.around_ns) / costs.pitch_ns
    grid = profile.bus.character
    bits = characters * Fraction(grid.num, grid.den) * profile.bus.baud / NS_PER_S
    ratio = profile.bus.bit_error_ratio
    formula = "1 - (1 - bit error ratio) ^ bits of a packet"
    limit = profile.accept.loss or None
    loss = BudgetLine(
        "packet loss",
        _PART,
        "share",
        None if ratio is None else loss_share(ratio, bits),
        limit,
        formula=formula,
        note=f"{float(bits):.6g} bits a packet",
        missing="" if ratio is not None else "bus.bit_error_ratio",
    )
    return [loss, _check_line(costs.format.layout, size)]


def _check_line(layout: Layout, size: int) -> BudgetLine:
    """Whether the check is good for packets of this length."""
    name, unit = "check", "bits"
    formula = "data bits that it covers <= published length of its Hamming distance"
    rule = layout.check
    if rule is None or not rule.check.size:
        return BudgetLine(
            name, _PART, unit, formula=formula, missing="packets have no check"
        )
    bits = covered_bits(layout) - 8 * (layout.most - size)
    found = distance_of(rule.check, bits)
    if found is None:
        return BudgetLine(
            name,
            _PART,
            unit,
            bits,
            formula=formula,
            note=rule.check.name,
            missing="a published bound for this check",
        )
    distance, most = found
    known = HAMMING.get((rule.check.width, rule.check.poly), {})
    if most is None and rule.check.kind == Kind.CRC:
        most = max(known.values())
    elif most is None and rule.check.kind == Kind.FLETCHER:
        most = _FLETCHER_16_BITS
    note = f"{rule.check.name}, Hamming distance {distance}"
    return BudgetLine(
        name,
        _PART,
        unit,
        bits,
        most,
        caution=True,
        formula=formula,
        source=_SOURCE,
        note=note,
    )
