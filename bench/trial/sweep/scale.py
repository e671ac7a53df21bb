"""Values between two others, and how they are written.

A value is a number in the base unit of its kind (`bench.base.units`), exactly.  The
kind is known by the unit, so that nothing here has to know what a profile holds; that
it suits the place it is put in is the profile's business.

What is drawn up between two ends is rounded to few digits, so that what a table shows
is what was tried, and a person can type it again.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from math import log10
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError
from bench.base.units import (
    BAUD,
    CURRENT,
    DURATION,
    FREQUENCY,
    LENGTH,
    RESISTANCE,
    SHARE,
    Kind,
    shown,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

_KINDS = (DURATION, BAUD, FREQUENCY, LENGTH, RESISTANCE, CURRENT, SHARE)
"""Kinds of quantities, each known by its units; no unit belongs to two of them."""

_FARTHEST = 10**18
"""Of either sign: what a profile accepts is less, and it says so itself."""

_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?)\s*(\S*)\s*")

_OFF = 100
"""A value is rounded by no more than this part of the space to its neighbours."""

_HALVED = 10
"""A middle may be off by a tenth of the way to either side: halving takes no longer for
it, and what is found is short to write."""


@dataclass(frozen=True, slots=True)
class Scale:
    """How values of one axis are read, spaced and written.

    Attributes:
        kind: What they are; None for bare numbers.
        whole: Whether they are whole numbers, of the base unit where there is one.
    """

    kind: Kind | None
    whole: bool

    @property
    def is_share(self) -> bool:
        """Whether they are shares, so that a percentage is itself a value."""
        return self.kind is not None and self.kind.name == SHARE.name

    def text(self, value: Fraction) -> str:
        """A value as a profile writes it, in the largest unit of which it is one."""
        if self.kind is not None:
            exact = _decimal(value)
            units = self.kind.units
            for unit in sorted(self.kind.written, key=lambda unit: -units[unit]):
                number = exact / units[unit]
                text = f"{float(number):.15g}"
                if abs(number) >= 1 and "e" not in text and Fraction(text) == number:
                    return f"{text} {unit}"
            return self.kind.text(exact)
        if value.denominator == 1:
            return str(value.numerator)
        return f"{float(value):.15g}"

    def rounded(self, value: Fraction, space: Fraction) -> Fraction:
        """A value in few digits, that is off by a hundredth of a space at most.

        Args:
            value: The value.
            space: How far it is to its neighbours.
        """
        step = Fraction(10) ** _decade(space / _OFF)
        if self.whole:
            step = max(step, Fraction(1))
        return round(value / step) * step


def scale_of(
    texts: Sequence[str], where: str, *, whole: bool = False
) -> tuple[Scale, list[Fraction]]:
    """How some values are written, and their worth.

    A bare 0 goes with any unit.

    Args:
        texts: The values.
        where: The axis, for the fault.
        whole: Whether bare numbers have to be whole ones.

    Raises:
        UsageError: If one is no number, or they are not of one kind.
    """
    kinds: dict[str, Kind | None] = {}
    for text in texts:
        number, unit = _split(text, where)
        if unit or float(number):
            kinds[text] = _kind_of(unit, text, where)
    kind = next(iter(kinds.values()), None)
    for text, other in kinds.items():
        if other != kind:
            expected = "a bare number" if kind is None else kind.expected
            fault = Fault("values of two kinds", shown(text), expected, where)
            raise UsageError(fault)
    return Scale(kind, (kind.base != "") if kind else whole), [
        _worth(text, kind, where) for text in texts
    ]


def spread(
    scale: Scale, ends: tuple[Fraction, Fraction], count: int, *, log: bool
) -> list[Fraction]:
    """So many values from one end to the other, both included.

    Args:
        scale: What they are.
        ends: The lower one first.
        count: At least 2.
        log: Whether their ratios are equal, not their differences.
    """
    low, high = ends
    steps = count - 1
    if log:
        ratio = float(high / low) ** (1 / steps)
        inner = [low * Fraction(ratio**k) for k in range(1, steps)]
        spaces = [value * Fraction(1 - 1 / ratio) for value in inner]
    else:
        space = (high - low) / steps
        inner = [low + k * space for k in range(1, steps)]
        spaces = [space] * len(inner)
    rounded = [scale.rounded(*pair) for pair in zip(inner, spaces, strict=True)]
    return [low, *rounded, high]


def between(scale: Scale, low: Fraction, high: Fraction, *, log: bool) -> Fraction:
    """The value in the middle of two, in few digits.

    Args:
        scale: What they are.
        low: The lower one.
        high: The higher one.
        log: Whether the middle is that of their logarithms.
    """
    middle = (low + high) / 2
    if log and low > 0:
        middle = low * Fraction(float(high / low) ** 0.5)
    return scale.rounded(middle, min(middle - low, high - middle) * _HALVED)


def _split(text: str, where: str) -> tuple[str, str]:
    """The number of a text, and its unit."""
    found = _NUMBER.fullmatch(text)
    if not found:
        expected = "a number with its unit, as a profile writes it"
        raise UsageError(Fault("not a number", shown(text), expected, where))
    return found[1], found[2].replace("µ", "u").replace("μ", "u")


def _kind_of(unit: str, text: str, where: str) -> Kind | None:
    """The kind that a unit belongs to."""
    if not unit:
        return None
    for kind in _KINDS:
        if unit in kind.units:
            return kind
    alike = [
        known
        for kind in _KINDS
        for known in kind.units
        if known.lower() == unit.lower()
    ]
    what = "prefix or unit in the wrong case" if alike else "unknown unit"
    mend = f"did you mean {alike[0]}?" if alike else ""
    raise UsageError(Fault(what, shown(text), "", where, mend))


def _worth(text: str, kind: Kind | None, where: str) -> Fraction:
    """A value in the base unit."""
    number, unit = _split(text, where)
    if kind is None or not unit:
        return Fraction(number)
    return Fraction(str(kind.within(-_FARTHEST, _FARTHEST).parse(text, where)))


def _decade(number: Fraction) -> int:
    """The greatest power of ten that is not above a number."""
    power = round(log10(number))
    while Fraction(10) ** power > number:
        power -= 1
    while Fraction(10) ** (power + 1) <= number:
        power += 1
    return power


def _decimal(value: Fraction) -> Fraction:
    """A value that ends somewhere behind its point."""
    return value if value.denominator == 1 else Fraction(f"{float(value):.15g}")
