"""Octets of a read lie after those before, and before the read returned."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bench.base.columns import Flaw
from bench.base.grid import Grid
from bench.link.transport import Heard
from bench.trial.listen.placing import Placing
from bench.trial.listen.spread import Spread

PITCH = Grid.of(10_000, 3)  # a character of 10 bits at 3 Mbaud

READS = st.lists(
    st.tuples(st.integers(0, 300_000), st.integers(1, 40)), min_size=1, max_size=20
)


def placed(reads, break_ns=0):
    """All heaps of some reads (time since the one before, octets, flaws…)."""
    placing, heaps, now_ns = Placing(PITCH, break_ns), [], 0
    for later_ns, count, *flaws in reads:
        now_ns += later_ns
        heaps.append(placing.take(Heard(bytes(count), now_ns, tuple(flaws)), now_ns))
    heaps.append(placing.finish())
    return placing, [heap for heap in heaps if heap]


@given(READS)
def test_characters_never_overlap_and_are_as_late_as_they_may(reads):
    """Exactly back to back or later; at the read's end wherever there was room."""
    _, heaps = placed(reads)
    end = None
    for heap in heaps:
        (run,) = heap.runs
        start = run[1] * PITCH.den + run[2]  # in thirds of a nanosecond
        if end is not None:
            assert start >= end
            assert (heap.idle_ns == 0) == (start == end)
        length = len(heap.octets) * PITCH.num
        if heap.idle_ns != 0:
            late = heap.at_ns * PITCH.den - (start + length)
            assert 0 <= late < PITCH.den
        end = start + length


@given(READS)
def test_nothing_is_left_out(reads):
    """Every octet is in one heap, and one instant has one heap."""
    _, heaps = placed(reads)
    assert sum(len(heap.octets) for heap in heaps) == sum(count for _, count in reads)
    instants = [heap.at_ns for heap in heaps]
    assert instants == sorted(set(instants))


def test_more_than_the_line_can_carry_comes_later():
    """A pty gives in a microsecond what a line carries in a millisecond: told."""
    placing, heaps = placed([(1_000_000, 300), (1000, 300)])
    assert heaps[1].idle_ns == 0
    assert placing.behind_ns == 1_000_000 - 1000


def test_a_break_takes_its_time():
    """A break of 176 us and 12 us of mark, then characters."""
    _, heaps = placed([(10**6, 4, (0, Flaw.BREAK))], break_ns=188_000)
    (first, second) = heaps[0].runs
    assert first[0] == 0
    assert second == (1, first[1] + 188_000, 0)
    assert second[1] + 10_000 == 10**6


@given(st.lists(st.integers(0, 10**13), min_size=1, max_size=50), st.integers(1, 100))
def test_a_spread_is_never_too_small_and_nearly_right(times, percent):
    """Nearest rank (of n times the one of rank ceil(n p/100)), within 1/1024."""
    spread = Spread()
    for ns in times:
        spread.add(ns)
    true = sorted(times)[-(-len(times) * percent // 100) - 1]
    told = spread.quantile(percent)
    assert true <= told <= true + true // 1024 + 1
    assert (spread.least, spread.greatest) == (min(times), max(times))


def test_a_spread_of_nothing_has_no_figures():
    """None, not zero."""
    assert Spread().as_dict() == {
        "n": 0,
        "least": None,
        "p1": None,
        "p50": None,
        "p99": None,
        "max": None,
    }
