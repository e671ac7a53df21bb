"""The search for an edge between a good and a bad value.

It halves the way between the two until they are as close as was asked for, which finds
an edge, but the only one there is only if what is good is all on one side.  So some
more values are tried inside of both sides; a bad one among the good draws the search
to it, so that the edge that is told is the one nearest to the good end, and everything
that speaks against there being one edge is told as well.

Between good and bad there may be a margin, in which it may go either way.  Then there
are two edges, into it and out of it.

Nothing in here knows what a value is tried with.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import TYPE_CHECKING

from bench.trial.sweep.scale import between

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from fractions import Fraction

    from bench.trial.edge.within import Within
    from bench.trial.sweep.scale import Scale

    Try = Callable[[Fraction], "Rating"]

PROBES = 3
"""Values that are tried inside of each side: the quarters of the way."""

_ROUNDS = 8
"""How often a bad value among the good may draw the search to it: islands that are left
then are more than one edge can tell of."""


class Rating(IntEnum):
    """What a value turned out to be."""

    GOOD = 0
    MARGINAL = 1
    BAD = 2


@dataclass(frozen=True, slots=True)
class Bracket:
    """The values between which an edge is looked for.

    Attributes:
        good: The end that is good.
        bad: The end that is not.
        scale: What values are.
        within: How close the edge is to be found.
        log: Whether the middle of two is that of their logarithms.
    """

    good: Fraction
    bad: Fraction
    scale: Scale
    within: Within
    log: bool

    def middle(self, one: Fraction, other: Fraction) -> Fraction | None:
        """The value in the middle of two; None if they are close enough, or alike."""
        low, high = min(one, other), max(one, other)
        if self.within.reached(low, high):
            return None
        middle = between(self.scale, low, high, log=self.log)
        return middle if low < middle < high else None

    def quarters(self, one: Fraction, other: Fraction) -> list[Fraction]:
        """The values between two that part the way in equal parts."""
        half = self.middle(one, other)
        if half is None:
            return []
        parts = [self.middle(one, half), half, self.middle(half, other)]
        return [part for part in parts if part is not None]


@dataclass(slots=True)
class Edge:
    """What was found.

    Attributes:
        last_good: The last good value on the way from the good end.
        first_bad: The first one that is bad; where none is, the first marginal one.
        margin: The first and the last marginal value between them; None if there are
            none.
        against: Values that speak against there being one edge, and what they were.
    """

    last_good: Fraction
    first_bad: Fraction
    margin: tuple[Fraction, Fraction] | None = None
    against: dict[Fraction, Rating] = field(default_factory=dict)

    @property
    def monotone(self) -> bool:
        """Whether nothing that was tried speaks against there being one edge."""
        return not self.against


class Search:
    """Looks for the edge in one bracket.

    Attributes:
        known: What every value turned out to be that was tried.
    """

    def __init__(
        self, bracket: Bracket, try_value: Try, *, beyond: bool = True
    ) -> None:
        """Prepare.

        Args:
            bracket: Where to look; its ends have the ratings that they are said to.
            try_value: Tries one value; asked once for each.
            beyond: Whether more values are to be tried on the bad side too.
        """
        self.known: dict[Fraction, Rating] = {}
        self._bracket = bracket
        self._try = try_value
        self._look_beyond = beyond

    def edge(self) -> Edge:
        """Find the edge."""
        good, bad = self._bracket.good, self._bracket.bad
        self.rate(good), self.rate(bad)
        for _ in range(_ROUNDS):
            last, first = self._halved(good, bad, Rating.MARGINAL)
            odd = self._odd_among_good(last)
            if odd is None:
                break
            bad = odd
        found = Edge(last, first)
        self._margin(found)
        found.against = self._odd_among_bad(found.first_bad)
        return found

    def rate(self, value: Fraction) -> Rating:
        """What a value is."""
        if value not in self.known:
            self.known[value] = self._try(value)
        return self.known[value]

    def set_right(self, value: Fraction, rating: Rating) -> None:
        """A longer look showed a value to be something else."""
        self.known[value] = rating

    def _halved(
        self, good: Fraction, bad: Fraction, least: Rating
    ) -> tuple[Fraction, Fraction]:
        """The values between which ratings begin to be at least so bad."""
        while (middle := self._bracket.middle(good, bad)) is not None:
            if self.rate(middle) >= least:
                bad = middle
            else:
                good = middle
        return good, bad

    def _margin(self, found: Edge) -> None:
        """If the first value that is not good is marginal, where it gets bad."""
        first, end = found.first_bad, self._bracket.bad
        if self.rate(first) != Rating.MARGINAL:
            return
        beyond = [
            value
            for value, rating in self.known.items()
            if rating == Rating.BAD and self._beyond(value, first)
        ]
        if not beyond:
            found.margin = first, end
            return
        nearest = min(beyond, key=lambda value: abs(value - first))
        last, bad = self._halved(first, nearest, Rating.BAD)
        between = [
            value
            for value, rating in self.known.items()
            if rating == Rating.MARGINAL and self._beyond(bad, value)
        ]
        last = max([last, *between], key=lambda value: abs(value - self._bracket.good))
        found.margin, found.first_bad = (first, last), bad

    def _beyond(self, value: Fraction, other: Fraction) -> bool:
        """Whether a value is further from the good end than another."""
        return abs(value - self._bracket.good) > abs(other - self._bracket.good)

    def _odd_among_good(self, last: Fraction) -> Fraction | None:
        """The value nearest to the good end that should be good and is not."""
        tried = [*self._bracket.quarters(self._bracket.good, last), *self.known]
        odd = [
            value
            for value in tried
            if not self._beyond(value, last) and self.rate(value) != Rating.GOOD
        ]
        return min(odd, key=lambda value: abs(value - self._bracket.good), default=None)

    def _odd_among_bad(self, first: Fraction) -> dict[Fraction, Rating]:
        """Values that should be as bad as the first bad one and are not."""
        if self._look_beyond:
            for value in self._bracket.quarters(first, self._bracket.bad):
                self.rate(value)
        bad = self.rate(first)
        return {
            value: rating
            for value, rating in self.known.items()
            if self._beyond(value, first) and rating < bad
        }


def in_order(values: Sequence[Fraction], good: Fraction) -> list[Fraction]:
    """Values in the order in which they are met on the way from the good end."""
    return sorted(values, key=lambda value: abs(value - good))
