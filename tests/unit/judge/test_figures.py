"""Bursts, gaps, frames and skew."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.judge.rig import CLOCKS, GAP_NS

from bench.base import columns
from bench.judge.kept.figures import Bursts, Frames
from bench.link.observes import EVERYTHING, Observes
from bench.profile.load import load_profile


def bursts(*overrides: str, observes: Observes = EVERYTHING) -> Bursts:
    """The bursts of the four nodes of the causeway."""
    return Bursts(load_profile("causeway", overrides).node, observes)


def shown(*rows: tuple[int, int, int, int, int]) -> np.ndarray:
    """Bursts: node, first bit, end, clocks, marginal."""
    table = np.zeros(len(rows), columns.SHOWN)
    for row, (node, first, end, clocks, marginal) in zip(table, rows, strict=True):
        row["node"], row["first_bit_ns"], row["end_ns"] = node, first, end
        row["burst_ns"] = first
        row["clocks"], row["marginal"] = clocks, marginal
    return table


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_gaps_by_the_definition(data: st.DataObject) -> None:
    """From the end of a burst to the node's next, over the cuts between chunks."""
    times = st.lists(st.integers(0, 2 * GAP_NS), max_size=12)
    now = [0, 0, 0, 0]
    ends: list[list[tuple[int, int]]] = [[], [], [], []]
    counted = bursts()
    for _ in range(data.draw(st.integers(1, 4))):
        rows = []
        for gap in data.draw(times):
            node = data.draw(st.integers(0, 3))
            ends[node].append((now[node] + gap, now[node] + gap + 10))
            rows.append((node, *ends[node][-1], CLOCKS, 0))
            now[node] += gap + 10
        counted.add(shown(*rows))
    for node, spans in enumerate(ends):
        gaps = [b[0] - a[1] for a, b in pairwise(spans)]
        least = counted.least_gap_ns[node]
        assert least == min(gaps, default=np.iinfo(np.int64).max)
        assert counted.below[node] == sum(gap < GAP_NS for gap in gaps)
        assert counted.count[node] == len(spans)


def test_clocks_and_runts() -> None:
    """Counted node by node; what nobody counted (-1) is neither right nor wrong."""
    counted = bursts()
    rows = shown(
        (1, 0, 10, CLOCKS + 1, 0),
        (1, 10**6, 10**6, -1, -1),
        (2, 0, 10, CLOCKS, 1),
        (2, 10**6, 10**6, CLOCKS - 3, 1),
    )
    assert counted.add(rows).tolist() == [0, 3]
    assert counted.wrong.tolist() == [0, 1, 1, 0]
    assert counted.marginal.tolist() == [0, 0, 2, 0]


def test_a_strobe_needs_no_gap() -> None:
    """Chains that latch by a strobe are told when: no gap is too short."""
    rows = shown((0, 0, 10, CLOCKS, 0), (0, 11, 20, CLOCKS, 0))
    strobed = bursts("output.latch=strobe")
    strobed.add(rows)
    assert (strobed.least_gap_ns[0], strobed.below[0]) == (1, 0)
    by_gap = bursts()
    by_gap.add(rows)
    assert by_gap.below[0] == 1


def test_a_pause_inside_a_burst_is_no_gap() -> None:
    """Rows with one beginning are one burst, over the cut between chunks as well."""
    counted = bursts()
    rows = shown((0, 10, 20, 9, 0), (1, 12, 20, 9, 0), (0, 25, 30, 7, 0))
    rows["burst_ns"] = (10, -1, 10)
    more = shown((0, 33, 40, 7, 0), (1, 23, 30, 7, 0), (0, 42, 50, CLOCKS, 0))
    more["burst_ns"] = (10, -1, 42)
    counted.add(rows)
    counted.add(more)
    # Bursts whose beginning nobody saw (-1) are bursts of their own.
    assert counted.least_gap_ns.tolist()[:2] == [2, 3]
    assert counted.below.tolist() == [1, 1, 0, 0]
    assert counted.wrong.tolist() == [3, 2, 0, 0]


def test_lanes_one_after_another() -> None:
    """The greatest skew is kept, -1 is not observable; the gap is the first lane's."""
    counted = bursts()
    rows = shown(
        (0, 0, 100, CLOCKS, 0), (1, 0, 100, CLOCKS, 0), (0, 200, 300, CLOCKS, 0)
    )
    rows["lane_skew_ns"] = (30, -1, 10)
    counted.add(rows)
    assert counted.lane_skew_ns.tolist() == [30, -1, -1, -1]
    # By hand: the first lane ended at 100 - 30 and began again at 200.
    assert counted.least_gap_ns[0] == 130
    later = shown((0, 500, 600, CLOCKS, 0), (2, 500, 600, CLOCKS, 0))
    later["lane_skew_ns"] = (20, 0)
    counted.add(later)
    assert counted.lane_skew_ns.tolist() == [30, -1, 0, -1]
    blind = bursts(observes=Observes(times=False))
    blind.add(rows)
    assert blind.lane_skew_ns.tolist() == [-1] * 4


def show(frames: Frames, *told: tuple[int, bool, int]) -> None:
    """Tell when packets (frame, broadcast, ns) were shown."""
    frame, broadcast, ns = zip(*told, strict=True)
    frames.shown(np.array(frame), np.array(broadcast), np.array(ns))


def lose(frames: Frames, *told: tuple[int, bool], count: int = 1) -> None:
    """Tell which packets (frame, broadcast) were not."""
    frame, broadcast = zip(*told, strict=True)
    frames.lost(np.array(frame), np.array(broadcast), count)


def test_skew_of_a_frame() -> None:
    """Latest less earliest of a frame, however its packets came in."""
    frames = Frames()
    show(frames, (3, False, 700), (4, False, 10_000))
    show(frames, (3, False, 100), (3, True, 9000), (4, False, 10_900))
    show(frames, (3, False, 300), (5, False, 1))
    frames.close(4)
    assert (frames.skew_ns.n, frames.skew_ns.greatest) == (1, 600)
    frames.close_all()
    assert (frames.skew_ns.n, frames.skew_ns.greatest) == (2, 900)


def test_dropped_frames() -> None:
    """A frame is dropped once, whatever is missing of it, until all of it turns up."""
    frames = Frames()
    lose(frames, (2, False), (2, False), (2, True), (7, False))
    assert frames.dropped == 2
    lose(frames, (2, False), (2, True), count=-1)
    assert frames.dropped == 2
    lose(frames, (2, False), count=-1)
    assert frames.dropped == 1
    frames.close(8)
    assert frames.dropped == 1


def test_frames_that_jump() -> None:
    """Numbers that start anywhere, or jump, cost no memory; the closed stay closed."""
    frames = Frames()
    show(frames, (10**12, False, 5), (10**12, False, 9))
    lose(frames, (10**15, False))
    show(frames, (10**12, False, 1000), (-1, False, 7))
    frames.close_all()
    assert (frames.skew_ns.n, frames.skew_ns.greatest, frames.dropped) == (1, 4, 1)
    assert all(len(column._store) < 10**5 for column in frames._columns)
