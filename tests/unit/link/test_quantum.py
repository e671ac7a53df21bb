"""Quantised times are found from the times alone, and nothing else is taken for one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.link.quantum import FEWEST, find_quantum

CASES = Path(__file__).parents[2] / "cases"

US, MS = 1_000, 1_000_000


def round_trips(name: str) -> np.ndarray:
    """The round trips of a case, in ns."""
    rows = np.loadtxt(CASES / name, delimiter=",", skiprows=1, dtype=np.int64)
    return rows[:, 1] * US


def through_timer(period_ns: int, jitter_ns: float, seed: int) -> np.ndarray:
    """Times from answer to answer where a timer lets answers go, pauses at random."""
    draw = np.random.default_rng(seed)
    at, times = 0, []
    for _ in range(300):
        at += draw.uniform(0.1, 2.8) * period_ns
        at = -(-at // period_ns) * period_ns
        times.append(at + draw.exponential(jitter_ns))
    return np.diff(times).astype(np.int64)


def test_the_slow_adapter():
    """Case A11 a: 16 ms, once, twice or three times, but for one round trip."""
    times = round_trips("A11_rtt_adapter_a.csv")
    assert np.median(times) == 16_042_500
    quantum = find_quantum(times)
    assert quantum is not None
    assert abs(quantum.ns - 16 * MS) <= 0.1 * MS
    assert abs(quantum.within_ns - 0.3 * MS) < 0.03 * MS
    assert quantum.multiples == {1: 149, 2: 49, 3: 1}
    assert quantum.off == 1
    (odd,) = np.flatnonzero(times < 8 * MS)
    assert (odd, times[odd]) == (57, 3_120 * US)


def test_the_quick_adapter():
    """Case A11 b: round trips of 1.2 ms that are multiples of nothing."""
    times = round_trips("A11_rtt_adapter_b.csv")
    assert np.median(times) == 1_247_000
    assert find_quantum(times) is None


@pytest.mark.parametrize("period_ms", [1, 2, 16, 15.625, 255])
def test_every_usual_timer_is_found(period_ms):
    """From one millisecond to the longest that an octet can set."""
    quantum = find_quantum(through_timer(round(period_ms * MS), 20 * US, 7))
    assert quantum is not None
    assert quantum.ns == pytest.approx(period_ms * MS, rel=0.01)
    assert quantum.share > 0.95


def test_what_every_time_has_more_does_not_change_the_step():
    """A line that takes 150 us beside a timer of 16 ms leaves 16 ms."""
    quantum = find_quantum(through_timer(16 * MS, 5 * US, 3) + 150 * US)
    assert quantum is not None
    assert abs(quantum.ns - 16 * MS) < 0.02 * MS


@given(st.integers(0, 10**6), st.sampled_from(["even", "normal", "steep"]))
def test_smooth_times_have_none(seed, kind):
    """Whatever their spread, times that lie anywhere are no multiples."""
    draw = np.random.default_rng(seed)
    times = {
        "even": draw.uniform(0.1 * MS, 30 * MS, 200),
        "normal": draw.normal(3 * MS, 0.4 * MS, 200),
        "steep": draw.exponential(5 * MS, 200),
    }[kind]
    assert find_quantum(times.astype(np.int64)) is None


def test_one_slow_answer_is_no_quantum():
    """Times that are all alike may be a node's: nothing tells, so nothing is said."""
    draw = np.random.default_rng(5)
    times = 16 * MS + draw.normal(0, 30 * US, 300)
    assert find_quantum(times.astype(np.int64)) is None


def test_too_few_times_say_nothing():
    """A handful of multiples may be chance."""
    times = [16 * MS, 32 * MS] * (FEWEST // 2)
    assert find_quantum(times) is not None
    assert find_quantum(times[1:]) is None
    assert find_quantum([]) is None


@given(st.lists(st.integers(-(10**6), 10**12), max_size=60))
def test_whatever_the_times(times):
    """Any times at all give an answer that adds up."""
    quantum = find_quantum(times)
    if quantum is not None:
        counted = sum(quantum.multiples.values()) + quantum.off
        assert counted == sum(time > 0 for time in times)
        assert 0.9 <= quantum.share <= 1
