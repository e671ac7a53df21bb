"""Exact tests of two counts, against published examples and scipy."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import fisher_exact
from scipy.stats.contingency import odds_ratio

from bench.judge.compare.odds import Counts, surely_more


def test_tea() -> None:
    """Fisher's tea tasting: 3 of 4 against 1 of 4.

    R. A. Fisher, The Design of Experiments (1935), chapter 2: the chance is 17 in 70.
    The lower limit 0.3135693 is what a common statistics language prints for it (from
    memory; its roots are good to four digits).
    """
    counts = Counts((1, 4), (3, 4))
    assert counts.more() == pytest.approx(17 / 70, rel=1e-12)
    assert counts.interval(0.90)[0] == pytest.approx(0.3135693, rel=1e-4)
    assert counts.odds() == 9.0


def test_twins() -> None:
    """Convictions of like-sex twins: 10 of 13 against 2 of 17.

    R. A. Fisher, Statistical Methods for Research Workers, section 21.02: the chance of
    so few is 0.0004652 (619 in 1,330,665).  The 95 % limit 0.28496 of the other side is
    what a common statistics language prints (from memory).
    """
    assert Counts((2, 17), (10, 13)).more() == pytest.approx(619 / 1330665, rel=1e-9)
    _, high = Counts((10, 13), (2, 17)).interval(0.90)
    assert high == pytest.approx(0.28496, rel=1e-4)
    low, high = Counts((10, 13), (2, 17)).interval(0.95)
    assert low == pytest.approx(0.0033, rel=0.02)
    assert high == pytest.approx(0.3632, rel=0.001)


TABLES = st.tuples(st.integers(1, 60), st.integers(1, 60)).flatmap(
    lambda sizes: st.tuples(
        st.tuples(st.integers(0, sizes[0]), st.just(sizes[0])),
        st.tuples(st.integers(0, sizes[1]), st.just(sizes[1])),
    )
)


@settings(max_examples=80, deadline=None)
@given(TABLES, st.sampled_from([0.8, 0.95, 0.99]))
def test_against_scipy(
    table: tuple[tuple[int, int], tuple[int, int]], confidence: float
) -> None:
    """Chance and limits are those of scipy, wherever these exist."""
    before, after = table
    rows = [[after[0], after[1] - after[0]], [before[0], before[1] - before[0]]]
    counts = Counts(before, after)
    wanted = fisher_exact(rows, alternative="greater").pvalue
    assert counts.more() == pytest.approx(wanted, rel=1e-6, abs=1e-15)
    both = before[0] + after[0]
    if not 0 < both < before[1] + after[1]:
        assert counts.interval(confidence) == (0.0, None)
        return
    limits = odds_ratio(rows).confidence_interval(confidence)
    low, high = counts.interval(confidence)
    assert low == pytest.approx(limits.low, rel=1e-5)
    assert (math.inf if high is None else high) == pytest.approx(limits.high, rel=1e-5)


def test_a_whole_night() -> None:
    """Millions of packets need no approximation: scipy's limits again."""
    before, after = (3, 2_304_000), (22, 2_304_000)
    rows = [[after[0], after[1] - after[0]], [before[0], before[1] - before[0]]]
    limits = odds_ratio(rows).confidence_interval(0.95)
    assert Counts(before, after).interval(0.95) == pytest.approx(limits, rel=1e-5)


def test_interval_and_test_agree() -> None:
    """A rate is surely more just where the interval leaves 1 out."""
    for lost in range(30):
        counts = Counts((5, 1000), (lost, 1000))
        assert (counts.more() < 0.025) == (counts.interval(0.95)[0] > 1)


@pytest.mark.parametrize(("events", "trials"), [(2, 1), (-1, 5)])
def test_no_count(events: int, trials: int) -> None:
    """What no count can be is refused."""
    with pytest.raises(ValueError, match="events in"):
        Counts((events, trials), (0, 1))


def test_holm() -> None:
    """Four tests at 5 %: 0.005 and 0.01 say so, 0.03 and 0.04 do not.

    Limits 0.0125, 0.0167, 0.025 (S. Holm, 1979, by his rule; worked by hand).
    """
    assert surely_more([0.01, 0.04, 0.03, 0.005], 0.05) == [True, False, False, True]
    assert surely_more([], 0.05) == []
    # A small one after one that is too large says nothing.
    assert surely_more([0.03, 0.0251], 0.05) == [False, False]
