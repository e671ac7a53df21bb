"""The histogram against numpy and against handbook values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bench.judge.histogram import Histogram
from bench.kernels import histogram as kernel

TIMES = st.integers(0, 2**43 - 1) | st.integers(0, 5000)
DYADIC = st.integers(0, 64).map(lambda k: k / 64)
"""Shares whose product with a count is exact: numpy rounds the rank."""


def filled(values: list[int]) -> Histogram:
    """A histogram of some times."""
    histogram = Histogram()
    histogram.add(values)
    return histogram


@given(st.lists(TIMES, min_size=1, max_size=200), DYADIC)
@settings(max_examples=150, deadline=None)
def test_quantile_is_numpy_s_within_a_bin(values: list[int], p: float) -> None:
    """Never below the inverted CDF, and above it by less than 0.1 %."""
    # numpy's method inverted_cdf is type 1 of Hyndman and Fan.
    exact = int(np.quantile(np.array(values), p, method="inverted_cdf"))
    quantile = filled(values).quantile(p)
    assert quantile is not None
    assert exact <= quantile <= exact + exact // 1024
    assert quantile <= max(values)


@given(st.lists(st.integers(-10, 2**45), max_size=60), st.integers(0, 60))
@settings(max_examples=80, deadline=None)
def test_merged_is_whole(values: list[int], at: int) -> None:
    """Two parts merged are the same as the whole, the extremes included."""
    parts, whole = filled(values[:at]), filled(values)
    parts.merge(filled(values[at:]))
    assert parts.as_dict() == whole.as_dict()
    assert (parts.n, parts.least, parts.below, parts.above) == (
        len(values),
        min(values, default=None),
        sum(value < 0 for value in values),
        sum(value >= 2**43 for value in values),
    )


@pytest.mark.parametrize(
    ("p", "expected"), [(0.25, 3), (0.9, 9), (0.95, 10), (0.99, 10)]
)
def test_one_to_ten(p: float, expected: int) -> None:
    """Type 1 of the nine definitions, on the numbers one to ten."""
    # Hyndman and Fan, Amer. Statist. 50 (1996) 361, type 1; values by numpy.
    assert filled(list(range(1, 11))).quantile(p) == expected


@pytest.mark.parametrize(
    ("p", "expected"), [(0.05, 15), (0.3, 20), (0.4, 20), (0.5, 35)]
)
def test_nearest_rank(p: float, expected: int) -> None:
    """The nearest rank, which is what type 1 gives."""
    # The usual textbook example of the nearest-rank method (from memory).
    assert filled([15, 20, 35, 40, 50]).quantile(p) == expected


def test_p99_of_ten_is_the_greatest() -> None:
    """Ten samples have no better p99 than their maximum under type 1."""
    assert filled(list(range(1, 11))).quantile(0.99) == 10


def test_exact_below_1024_ns() -> None:
    """Short times keep their nanosecond."""
    histogram = filled(list(range(1024)))
    assert [histogram.quantile((k + 1) / 1024) for k in range(1024)] == list(
        range(1024)
    )


def test_edges_of_every_octave() -> None:
    """No bin is wider than 1/1024 of the times in it, and none overlaps."""
    edges = [2**k for k in range(10, 43)] + [2**k - 1 for k in range(11, 44)]
    places = [int(kernel.place(edge)) for edge in sorted(edges)]
    assert places == sorted(places)
    assert [places[0], places[-1]] == [1024, kernel.BINS - 1]
    for low in edges:
        histogram = filled([low, 2**43 - 1])
        assert low <= histogram.quantile(0.5) <= low + low // 1024  # type: ignore[operator]


def test_beyond_the_bins() -> None:
    """What lies beyond is counted as such, and its quantile is still an upper bound."""
    histogram = filled([-5, -3, 7, 2**43, 2**50])
    assert (histogram.n, histogram.below, histogram.above) == (5, 2, 2)
    assert (histogram.least, histogram.greatest) == (-5, 2**50)
    quantiles = [histogram.quantile(p) for p in (0.2, 0.6, 0.8, 1.0)]
    assert quantiles == [-1, 7, 2**50, 2**50]


def test_nothing_measured() -> None:
    """No times, no quantile: never zero."""
    assert Histogram().as_dict() == {
        "n": 0,
        "p50": None,
        "p99": None,
        "p99.9": None,
        "max": None,
    }


def test_only_shares() -> None:
    """A percentage is no share."""
    with pytest.raises(ValueError, match="share of 0 to 1: 99"):
        filled([1]).quantile(99)


@given(st.lists(st.integers(-10, 2**45), max_size=80), st.integers(1, 12))
@example([0, 2**41, 2**43], 1)  # the widest row ends where the bins do
@settings(max_examples=80, deadline=None)
def test_spread_is_numpy_s_histogram(values: list[int], most: int) -> None:
    """Rows are few, lie apart and in order, and hold what numpy counts in them."""
    spread = filled(values).spread(most)
    first, last, count = spread["first_ns"], spread["last_ns"], spread["count"]
    assert len(count) <= most + 2
    assert sum(count) == len(values)
    edges = [edge for pair in zip(first, last, strict=True) for edge in pair]
    assert edges == sorted(edges)
    for low, high, held in zip(first, last, count, strict=True):
        inside = np.histogram(values, bins=[low, high + 1])[0][0] if values else 0
        # numpy closes the last bin on the right; a time of just one more is not in it.
        assert held == inside - values.count(high + 1)
    if values:
        assert (first[0], last[-1]) == (min(values), max(values))
