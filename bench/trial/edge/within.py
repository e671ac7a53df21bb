"""How close an edge is to be found: a share of the value, or a distance.

"1 %" is of the value, except where values are shares themselves: there it is a
distance, like any other quantity.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.errors import BenchError, Fault, UsageError
from bench.base.units import SHARE, shown
from bench.trial.sweep.scale import scale_of

if TYPE_CHECKING:
    from bench.trial.sweep.scale import Scale

USUAL = Fraction(1, 100)
"""Of the value, or where values are shares of the bracket, unless asked."""

_FINEST = Fraction(1, 10**6)
"""Finer than any clock of a board; it keeps a search short of thirty steps."""


@dataclass(frozen=True, slots=True)
class Within:
    """A resolution.

    Attributes:
        share: Of the value; 0 where it is a distance.
        distance: In the base unit; 0 where it is a share.
    """

    share: Fraction
    distance: Fraction = Fraction(0)

    def reached(self, low: Fraction, high: Fraction) -> bool:
        """Whether two values are as close as that."""
        if self.share:
            return high - low <= self.share * min(abs(low), abs(high))
        return high - low <= self.distance

    def text(self, scale: Scale) -> str:
        """It as a person reads it."""
        if self.share:
            return f"{100 * float(self.share):g} %"
        return scale.text(self.distance)


def within_of(text: str | None, scale: Scale, low: Fraction, high: Fraction) -> Within:
    """The resolution that a text asks for.

    Args:
        text: A share or a quantity; None for the usual one.
        scale: What the values are.
        low: The lower end of the bracket.
        high: The higher end.

    Raises:
        UsageError: If it is none, or finer than anything that can be told apart.
    """
    where = "--to-within"
    # Nothing is a hundredth of a value near nought.
    by_distance = scale.is_share or low <= 0
    if text is None:
        return (
            Within(Fraction(0), (high - low) * USUAL) if by_distance else Within(USUAL)
        )
    made = _distance(text, scale, where) if by_distance else None
    made = made or _share(text) or _distance(text, scale, where)
    if made is None:
        expected = "a share of the value such as 1%, or a quantity of its kind"
        raise UsageError(Fault("not a resolution", shown(text), expected, where))
    size = made.share or made.distance / max(abs(low), abs(high))
    if not _FINEST <= size < 1:
        expected = "above a millionth of the value and below all of it"
        raise UsageError(Fault("out of range", shown(text), expected, where))
    return made


def _share(text: str) -> Within | None:
    """A share of the value, if it is one."""
    if not text.rstrip().endswith("%"):
        return None
    try:
        return Within(Fraction(str(SHARE.parse(text))))
    except BenchError:
        return None


def _distance(text: str, scale: Scale, where: str) -> Within | None:
    """A distance, if it is of the same kind as the values."""
    try:
        other, worths = scale_of([text], where)
    except BenchError:
        return None
    return Within(Fraction(0), worths[0]) if other.kind == scale.kind else None
