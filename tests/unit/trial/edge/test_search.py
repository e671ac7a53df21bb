"""The search, on functions: it finds the edge, and says when there is more than one."""

from __future__ import annotations

from fractions import Fraction
from math import log2
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.trial.edge.search import Bracket, Rating, Search
from bench.trial.edge.within import Within
from bench.trial.sweep.scale import Scale

if TYPE_CHECKING:
    from collections.abc import Callable

    Rate = Callable[[Fraction], Rating]

GOOD, MARGINAL, BAD = Rating.GOOD, Rating.MARGINAL, Rating.BAD
PERCENT = Within(Fraction(1, 100))
PLAIN = Scale(None, whole=False)


def bracket(
    good: int,
    bad: int,
    within: Within = PERCENT,
    *,
    log: bool = True,
    whole: bool = False,
) -> Bracket:
    """Between two bare numbers."""
    return Bracket(Fraction(good), Fraction(bad), Scale(None, whole), within, log)


class Counted:
    """A function that counts how often it is asked of what."""

    def __init__(self, rate: Rate) -> None:
        self.rate = rate
        self.asked: list[Fraction] = []

    def __call__(self, value: Fraction) -> Rating:
        """One more."""
        assert value not in self.asked, "a value is tried once"
        self.asked.append(value)
        return self.rate(value)


@given(
    st.integers(10**3, 10**9),
    st.floats(1.05, 10**4),
    st.floats(0.01, 0.99),
    st.booleans(),
    st.booleans(),
)
def test_finds_the_edge(low: int, ratio: float, at: float, log: bool, up: bool) -> None:
    """Last good and first bad stand to both sides of the edge, as close as asked."""
    high = round(low * ratio) + 1
    edge = low * (high / low) ** at
    good, bad = (low, high) if up else (high, low)
    tried = Counted(lambda value: BAD if (value > edge) == up else GOOD)
    found = Search(bracket(good, bad, log=log), tried).edge()
    ends = sorted((found.last_good, found.first_bad))
    assert ends[0] <= edge <= ends[1]
    assert (found.last_good < found.first_bad) == up
    assert ends[1] - ends[0] <= ends[0] / 100
    assert found.monotone
    assert found.margin is None
    # Halving, a twentieth off the middle each time, and the quarters of both sides.
    steps = log2(max(2, (high - low) / (low / 100))) / log2(1 / 0.6)
    assert len(tried.asked) <= steps + 10


@given(st.floats(0.1, 0.5), st.floats(0.55, 0.9), st.booleans())
def test_finds_both_edges_of_a_margin(a: float, b: float, log: bool) -> None:
    """Between good and bad lies a margin: its ends are told apart from both."""
    low, high = 1000, 10_000
    edges = [low * (high / low) ** at for at in (a, b)]
    rate: Rate = lambda v: BAD if v > edges[1] else MARGINAL if v > edges[0] else GOOD  # noqa: E731
    found = Search(bracket(low, high, log=log), rate).edge()
    assert found.margin is not None
    first, last = found.margin
    assert found.last_good <= edges[0] <= first <= last <= edges[1] <= found.first_bad
    assert first - found.last_good <= found.last_good / 100
    assert found.first_bad - last <= last / 100
    assert found.monotone


def test_only_a_margin() -> None:
    """Where nothing gets worse than marginal, the margin is what follows the good."""
    found = Search(bracket(100, 1000), lambda v: MARGINAL if v > 300 else GOOD).edge()
    assert found.margin is not None
    assert found.first_bad == found.margin[0]
    assert found.margin[1] == 1000
    assert found.last_good <= 300 < found.first_bad


def test_good_again() -> None:
    """An island of good values behind the edge is told."""
    rate: Rate = lambda v: BAD if 400 < v < 600 or v > 900 else GOOD  # noqa: E731
    found = Search(bracket(100, 1000, log=False), rate).edge()
    assert found.last_good <= 400 <= found.first_bad
    assert not found.monotone
    assert found.against
    assert all(600 <= value <= 900 for value in found.against)
    assert set(found.against.values()) == {GOOD}


def test_bad_among_the_good() -> None:
    """A bad stretch on the good side draws the search to its own edge."""
    rate: Rate = lambda v: BAD if 250 < v < 350 or v > 900 else GOOD  # noqa: E731
    found = Search(bracket(100, 1000, log=False), rate).edge()
    assert found.last_good <= 250 <= found.first_bad
    assert not found.monotone


def test_ends_that_change_once_are_not_called_odd() -> None:
    """Extra values on both sides of one edge speak for it."""
    found = Search(bracket(100, 1000), lambda v: BAD if v > 500 else GOOD).edge()
    assert found.monotone
    assert not found.against


@pytest.mark.parametrize("edge", [1, 2, 7, 19])
def test_whole_numbers(edge: int) -> None:
    """Of whole numbers the two beside the edge are found, and no fraction is tried."""
    tried = Counted(lambda value: BAD if value > edge else GOOD)
    found = Search(bracket(1, 20, whole=True), tried).edge()
    assert (found.last_good, found.first_bad) == (edge, edge + 1)
    assert all(value.denominator == 1 for value in tried.asked)


def test_to_a_distance() -> None:
    """Around nought nothing is a share of the value."""
    within = Within(Fraction(0), Fraction(1, 1000))
    around = Bracket(Fraction(0), Fraction(-1, 10), PLAIN, within, log=False)
    found = Search(around, lambda v: BAD if v < Fraction(-5, 95) else GOOD).edge()
    assert found.first_bad < Fraction(-5, 95) <= found.last_good
    assert found.last_good - found.first_bad <= Fraction(1, 1000)


def test_without_looking_beyond() -> None:
    """Asked for, no more values are tried on the bad side than halving needs."""
    counts = []
    for beyond in (True, False):
        tried = Counted(lambda value: BAD if value > 500 else GOOD)
        Search(bracket(100, 1000), tried, beyond=beyond).edge()
        counts.append(len(tried.asked))
    assert counts[1] < counts[0]
