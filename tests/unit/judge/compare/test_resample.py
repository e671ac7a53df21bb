"""The bootstrap of quantiles, against its exact distribution and scipy."""

from __future__ import annotations

from math import ceil

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, bootstrap

from bench.judge.compare.resample import (
    BLOCKS,
    DRAWS,
    LEAST_INTERVALS,
    PACKETS,
    Times,
    difference,
    of_intervals,
    of_spread,
)
from bench.judge.histogram import Histogram


def rows_of(samples: list[list[int]]) -> Times:
    """Latencies by interval, each its own bin."""
    edges = sorted({ns for sample in samples for ns in sample})
    counts = np.array([[sample.count(ns) for ns in edges] for sample in samples])
    return Times(np.array(edges), np.array(edges), counts)


@settings(deadline=None)
@given(
    st.lists(st.lists(st.integers(0, 50), min_size=1, max_size=9), min_size=1),
    st.sampled_from([0.01, 0.5, 0.9, 0.99]),
)
def test_quantiles(samples: list[list[int]], p: float) -> None:
    """A quantile is numpy's inverse of the empirical distribution function."""
    every = [ns for sample in samples for ns in sample]
    wanted = np.quantile(every, p, method="inverted_cdf")
    assert rows_of(samples).quantile(p) == wanted


@pytest.mark.parametrize("p", [0.5, 0.9])
def test_exact_distribution_of_packets(p: float) -> None:
    """Packets drawn again: the quantile falls below a time as often as it should.

    Exactly (B. Efron, Ann. Statist. 7 (1979) 1, section 3): the p-quantile of n draws
    is at most the k-th smallest with the chance that Bin(n, k/n) is at least np.
    """
    n = 101
    times = rows_of([list(range(1, n + 1))])
    assert times.drawn == PACKETS
    drawn = times.again(p, "exact")
    assert len(drawn) == DRAWS
    for k in range(1, n + 1):
        wanted = binom.sf(ceil(n * p) - 1, n, k / n)
        seen = (drawn <= k).mean()
        assert seen == pytest.approx(wanted, abs=4.5 * np.sqrt(0.25 / DRAWS))


def test_ends_against_scipy() -> None:
    """The interval of a median is scipy's percentile interval, as near as draws go."""
    values = np.random.default_rng(5).exponential(1e6, 400).astype(np.int64)
    times = rows_of([values.tolist()])
    ends = np.quantile(times.again(0.5, "scipy"), [0.025, 0.975])
    referee = bootstrap(
        (values.astype(float),),
        lambda sample, axis: np.quantile(sample, 0.5, axis=axis, method="inverted_cdf"),
        method="percentile",
        n_resamples=4000,
        rng=np.random.default_rng(6),
    ).confidence_interval
    spread = referee.high - referee.low
    assert ends[0] == pytest.approx(referee.low, abs=0.15 * spread)
    assert ends[1] == pytest.approx(referee.high, abs=0.15 * spread)


def _wandering(draws: np.random.Generator, intervals: int) -> list[list[int]]:
    """Latencies whose level wanders from interval to interval."""
    level, samples = draws.normal(0, 1), []
    for _ in range(intervals):
        level = 0.8 * level + draws.normal(0, 0.6)
        samples.append(
            (1000 + 20 * level + draws.normal(0, 1, 20)).astype(int).tolist()
        )
    return samples


def test_blocks_hold_where_packets_would_not() -> None:
    """Where latency wanders, blocks cover the truth far more often than packets do."""
    draws = np.random.default_rng(11)
    covered = {BLOCKS: 0, PACKETS: 0}
    trials = 40
    for k in range(trials):
        samples = _wandering(draws, 100)
        blocks = rows_of(samples)
        whole = Times(
            blocks.first_ns, blocks.last_ns, blocks.counts.sum(axis=0)[None, :]
        )
        for times in (blocks, whole):
            low, high = np.quantile(times.again(0.5, str(k)), [0.025, 0.975])
            covered[times.drawn] += low <= 1000 <= high
    assert covered[BLOCKS] >= 0.75 * trials
    assert covered[PACKETS] <= 0.5 * trials


def test_the_same_again() -> None:
    """The same two runs always compare alike; a run does not differ from itself."""
    times = rows_of([[1, 2, 3, 4, 5]] * 20)
    one = difference(times, times, 0.5, (0.95, 0.99))
    assert one == difference(times, times, 0.5, (0.95, 0.99))
    assert one["more_ns"] == 0
    assert one["low_ns"] <= 0 <= one["high_ns"]
    assert one["surely_ns"] <= one["low_ns"]


def test_a_shift_is_found() -> None:
    """What is longer by so much is longer by about so much, surely."""
    draws = np.random.default_rng(2)
    was = [draws.normal(1e6, 1e4, 50).astype(int).tolist() for _ in range(30)]
    is_ = [draws.normal(1.1e6, 1e4, 50).astype(int).tolist() for _ in range(30)]
    made = difference(rows_of(was), rows_of(is_), 0.5, (0.95, 0.99))
    assert made["drawn"] == BLOCKS
    assert 95_000 < made["low_ns"] <= made["high_ns"] < 105_000
    assert made["surely_ns"] > 90_000


def test_kept_by_interval() -> None:
    """Bins that intervals tell of are read back: the quantiles are the histogram's."""
    draws = np.random.default_rng(3)
    whole, told = Histogram(), []
    for _ in range(LEAST_INTERVALS):
        one = Histogram()
        one.add(draws.integers(10**6, 10**6 + 40_000, 30))
        whole.merge(one)
        told.append(one.sparse())
    times = of_intervals([one for one in told if one])
    assert times is not None
    assert times.drawn == BLOCKS
    assert times.n == whole.n
    for p in (0.5, 0.99):
        assert times.quantile(p) == pytest.approx(whole.quantile(p), rel=1e-3)
    assert of_intervals([]) is None


def test_kept_as_a_spread() -> None:
    """Of a distribution alone a quantile is found inside of its bin."""
    spread = {"first_ns": [0, 100], "last_ns": [99, 299], "count": [10, 10]}
    times = of_spread(spread)
    assert times is not None
    assert times.drawn == PACKETS
    assert times.quantile(0.5) == 99
    assert times.quantile(0.75) == pytest.approx(199.5)
    assert of_spread({"first_ns": [], "last_ns": [], "count": []}) is None
