"""The virtual wire: octets that arrive in heaps, on an exact grid."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bench.base.grid import Grid
from bench.trial.serve.wire import VirtualWire

pitches = st.builds(Grid.of, st.integers(100, 10**6), st.integers(1, 17))
heaps = st.lists(
    st.tuples(st.integers(0, 3 * 10**6), st.binary(min_size=1, max_size=9)), max_size=12
)


def starts_of(line, pitch):
    """When each character of a chunk starts, from its runs."""
    ends = [*line.runs["first"].tolist(), len(line.octets)][1:]
    return [
        pitch.at(k, int(run["start_ns"]), int(run["start_rem"]))
        for run, end in zip(line.runs, ends, strict=True)
        for k in range(end - int(run["first"]))
    ]


def by_the_rule(arrivals, step):
    """Starts, exactly: no earlier than the arrival, nor than a pitch after the last."""
    free, starts, idle = Fraction(0), [], 0
    for at_ns, octets in arrivals:
        if at_ns > int(free):  # instants are read as whole nanoseconds
            idle += at_ns - int(free)
            free = Fraction(at_ns)
        for _ in octets:
            starts.append(int(free))
            free += step
    return starts, idle, free


def timed(gaps):
    """Heaps with their instants, from the gaps between them."""
    now, arrivals = 0, []
    for gap, octets in gaps:
        now += gap
        arrivals.append((now, octets))
    return arrivals


@given(pitches, heaps, st.sets(st.integers(0, 36 * 10**6), max_size=12))
def test_every_character_starts_by_the_rule(pitch, gaps, cuts):
    """In whatever slices it is taken: the rule's starts, places and octets."""
    arrivals = timed(gaps)
    expected, idle, free = by_the_rule(arrivals, pitch.step)
    wire, lines, left = VirtualWire(pitch), [], sorted(cuts)
    for at_ns, octets in arrivals:
        while left and left[0] <= at_ns:
            lines.append(wire.take(left.pop(0)))
        wire.arrive(octets, at_ns)
    end_ns = max(int(free) + 1, *left, 0)
    lines += [wire.take(cut) for cut in left]
    assert wire.idle_ns(end_ns) == idle + end_ns - int(free)
    lines.append(wire.take(end_ns))
    starts = [start for line in lines for start in starts_of(line, pitch)]
    assert starts == expected
    sent = b"".join(octets for _, octets in arrivals)
    assert b"".join(line.octets.tobytes() for line in lines) == sent
    assert wire.waiting == 0
    assert wire.characters == len(sent)
    place, since_ns = 0, 0
    for line in lines:
        assert line.first == place
        assert all(
            since_ns <= start < line.until_ns for start in starts_of(line, pitch)
        )
        place, since_ns = place + len(line.octets), line.until_ns


def test_what_has_not_started_waits():
    """Of ten, three are over after three pitches; the one under way stays whole."""
    wire = VirtualWire(Grid.of(2500, 1))
    assert wire.arrive(bytes(range(10)), 1000) == 1000
    line = wire.take(1000 + 3 * 2500)
    assert line.octets.tolist() == [0, 1, 2]
    assert wire.waiting == 7
    line = wire.take(1000 + 4 * 2500 - 1)
    assert (line.octets.tolist(), line.until_ns) == ([], 1000 + 3 * 2500)
    line = wire.take(1000 + 4 * 2500)
    assert (line.octets.tolist(), line.until_ns) == ([3], 1000 + 4 * 2500)
    line = wire.take(1000 + 20 * 2500)
    assert (line.octets.tolist(), line.until_ns) == ([4, 5, 6, 7, 8, 9], 51_000)


def test_a_late_sender_is_seen():
    """Gaps, the longest of them and the idle time, by hand."""
    wire = VirtualWire(Grid.of(1000, 1))
    wire.arrive(b"ab", 0)
    wire.arrive(b"c", 2000)  # just in time
    wire.arrive(b"d", 3500)
    wire.arrive(b"e", 8500)
    assert (wire.gaps, wire.longest_idle_ns) == (2, 4000)
    assert wire.idle_ns(9500) == 4500
    assert wire.idle_ns(10_000) == 5000


def test_a_whole_day_does_not_drift():
    """At 3 Mbaud, a third of a nanosecond a character is kept over 24 hours."""
    pitch = Grid.of_rate(3_000_000, 10)
    wire = VirtualWire(pitch)
    wire.arrive(b"x", 0)
    run = wire._runs[0]
    run.arrived = run.taken = 86_400 * 300_000  # a day of characters, all taken
    wire._octets.clear()
    assert wire.arrive(b"y", 0) == 86_400 * 10**9
    line = wire.take(86_400 * 10**9 + 3334)
    assert np.array_equal(line.octets, [ord("y")])
    assert line.runs["start_rem"].tolist() == [0]
