"""Chunks cut by time: the same line, rests as chunks, and a soft end at a stop."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import bench
from bench.base.columns import FLAW, RUN, Line
from bench.base.grid import Grid
from bench.traffic.schedule import Schedule
from bench.trial.slices import SLICE_NS, Slices, cut_at, rests

MS = 1_000_000

POINTS = {
    "packed": ("causeway", ("bus.baud=1 Mbaud", "traffic.frame_rate=5 Hz")),
    "slow": (
        "causeway",
        (
            "bus.baud=230.4 kbaud",
            "traffic.frame_rate=1 Hz",
            "traffic.pacing=timed",
            "traffic.foreign.share=0 %",
        ),
    ),
    "silence": ("modbus-rtu", ()),
    "breaks": ("dmx512", ()),
}


def schedule(point: str, packets: int = 6) -> tuple[Schedule, Grid]:
    """A short schedule and its pitch."""
    name, overrides = POINTS[point]
    profile = bench.load_profile(name, overrides)
    return Schedule(profile, seed=3, packets=packets), profile.bus.pitch


def starts(line: Line, pitch: Grid) -> list[int]:
    """When each character starts."""
    ends = [*line.runs["first"].tolist(), len(line.octets)][1:]
    return [
        pitch.at(k, int(row["start_ns"]), int(row["start_rem"]))
        for row, end in zip(line.runs, ends, strict=True)
        for k in range(end - int(row["first"]))
    ]


def joined(chunks, pitch):
    """Everything that chunks hold, by global place."""
    octets, times, flaws, packets = b"", [], [], []
    for line, sent in chunks:
        assert line.first == len(octets)
        octets += line.octets.tobytes()
        times += starts(line, pitch)
        flaws += [(int(f["at"]) + line.first, *f.tolist()[1:]) for f in line.flaws]
        for row in sent.rows:
            at, size = int(row["payload_at"]), int(row["payload_octets"])
            payload = sent.payload[at : at + size].tobytes() if at >= 0 else None
            rest = tuple(row[n] for n in row.dtype.names if n != "payload_at")
            packets.append((rest, payload))
    return octets, times, flaws, packets


@pytest.mark.parametrize("point", POINTS)
def test_the_same_line(point):
    """Characters, times, flaws and packets are those of the schedule."""
    whole, pitch = schedule(point)
    expected = joined([whole.take(1 << 20)], pitch)
    source, _ = schedule(point)
    slices = Slices(source, pitch)
    chunks = list(iter(lambda: slices.take(500), None))
    assert joined(chunks, pitch) == expected
    for line, sent in chunks:
        assert line.octets.size or not sent.rows.size
        for row in sent.rows:
            assert line.first < row["first"] + row["octets"]
            assert row["first"] + row["octets"] <= line.first + len(line.octets)


@pytest.mark.parametrize("point", POINTS)
def test_short_in_time(point):
    """No chunk takes long: neither its characters nor the rest before the next one."""
    source, pitch = schedule(point)
    slices = Slices(source, pitch)
    at_ns = 0
    while (chunk := slices.take(500)) is not None:
        times = starts(chunk[0], pitch)
        if times:
            assert times[0] - at_ns <= SLICE_NS + 5 * MS
            assert times[-1] - times[0] < SLICE_NS
            at_ns = max(at_ns, times[-1])
        else:
            assert at_ns < chunk[0].until_ns <= at_ns + SLICE_NS + pitch.step
            at_ns = chunk[0].until_ns


@settings(max_examples=20)
@given(st.integers(0, 60), st.sampled_from(["packed", "breaks"]))
def test_soft_end(taken, point):
    """At a stop the packet under way is sent to its end, and nothing after it."""
    source, pitch = schedule(point, packets=12)
    slices = Slices(source, pitch)
    whole, _ = schedule(point, packets=12)
    line, sent = whole.take(1 << 20)
    at, chunk = 0, slices.take(500)
    for _ in range(taken):
        if chunk is None:
            break
        at = chunk[0].first + len(chunk[0].octets)
        chunk = slices.take(500)
    chunk = slices.close(chunk)
    while chunk is not None:
        at = chunk[0].first + len(chunk[0].octets)
        chunk = slices.close(slices.take(500))
    ends = {0, len(line.octets)} | {
        int(row["first"] + row["octets"]) for row in sent.rows
    }
    inside = [
        row for row in sent.rows if row["first"] < at < row["first"] + row["octets"]
    ]
    assert not inside
    assert not slices.cut
    assert at in ends or taken


def test_packet_that_takes_too_long():
    """A packet of minutes is not waited for: it is cut, and that is known."""
    profile = bench.load_profile(
        "causeway", ("bus.baud=2400 baud", "traffic.pacing=flood")
    )
    pitch = profile.bus.pitch
    slices = Slices(Schedule(profile, seed=1, packets=4), pitch)
    while (chunk := slices.take(4))[0].first < 40:
        pass
    assert slices.close(chunk) is None
    assert slices.cut


def test_cut_anywhere():
    """A line in two, at each of its places: each half stands by itself."""
    pitch = Grid.of_rate(3_000_000, 10)
    runs = np.array([(0, 0, 0), (4, 50_000, 1), (5, 90_000, 0)], RUN)
    flaws = np.array([(2, 0, 1), (4, 7, 3), (8, 0, 4)], FLAW)
    line = Line(np.arange(10, dtype=np.uint8), runs, flaws, 100, 200_000)
    none = schedule("packed")[0].take(100)[1]
    none = type(none)(none.rows[:0], none.payload[:0])
    whole = starts(line, pitch)
    for place in range(11):
        (head, _), (tail, _) = cut_at(line, none, place, pitch)
        assert head.octets.tolist() + tail.octets.tolist() == list(range(10))
        assert starts(head, pitch) + starts(tail, pitch) == whole
        assert (head.first, tail.first) == (100, 100 + place)
        assert head.until_ns == (whole[place] if place < 10 else 200_000)
        again = [(int(f["at"]) + 0, int(f["kind"])) for f in head.flaws]
        again += [(int(f["at"]) + place, int(f["kind"])) for f in tail.flaws]
        assert again == [(2, 1), (4, 3), (8, 4)]


def test_rests():
    """Time passes in slices up to the instant, and none of them holds a character."""
    found = [line.until_ns for line, _ in rests(7, 5 * MS, 50 * MS)]
    assert found == [25 * MS, 45 * MS, 50 * MS]
