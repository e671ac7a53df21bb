"""A traced trial on one simulated node: instants from which a line's worst is read.

Only what the simulation did is looked at, its rows of interrupts and of clock edges,
and where the line's characters lie; when a look took a character follows from when its
handler began and ended.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import Line, To
from bench.kernels.node.records import BIT, COMPLETED, RECEIVE
from bench.node.simulated import SimulatedNode
from bench.node.spec import node_specs
from bench.node.trace import FALL, RISE, WORD
from bench.traffic.schedule import Schedule
from bench.wire.format import Delimiter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.node.spec import NodeSpec
    from bench.profile import Profile

    Times = NDArray[np.int64]

WHOLE = 1 << 26
"""Characters: more than any trial here has, which is one chunk."""

REST_NS = 2_000_000_000


@dataclass
class Traced:
    """What one node did.

    Attributes:
        spec: The node.
        rows: Every packet on the line.
        mine: Those for this node.
        starts: When each character starts.
        complete: When it is complete.
        shown: `SHOWN` rows.
        data: What they showed.
        interrupts: When each began, and ended, by kind.
        edges: `EDGE` rows.
        busy_ns: Time in interrupts, and in foreground jobs.
        span_ns: From the first character's start to the last one's end.
        lost: Characters lost.
        dropped: Packets dropped.
    """

    spec: NodeSpec
    rows: Any
    mine: Any
    starts: Times
    complete: Times
    shown: Any
    data: Any
    interrupts: dict[int, tuple[Times, Times]]
    edges: Any
    busy_ns: int
    span_ns: int
    lost: Any
    dropped: Any


def traced(
    profile: Profile,
    *,
    node: int = 0,
    packets: int = 40,
    seed: int = 3,
    trace: bool = True,
    recording: Any = None,
) -> Traced:
    """What one node of a profile did in a trial of so many own packets."""
    schedule = Schedule(profile, seed=seed, packets=packets, recording=recording)
    taken = schedule.take(WHOLE)
    assert taken is not None
    line, sent = taken
    assert schedule.take(WHOLE) is None
    spec = node_specs(profile)[node]
    made = SimulatedNode(spec, seed=seed, trace=trace)
    after = Line(
        line.octets[:0],
        line.runs[:0],
        line.flaws[:0],
        line.first + len(line.octets),
        line.until_ns + REST_NS,
    )
    parts = [made.play(line), made.play(after)]
    rows = sent.rows
    starts = starts_of(line, spec)
    joined = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("shown", "data", "interrupts", "edges", "lost", "dropped")
    }
    rows_of = joined["interrupts"]
    by_kind = {
        kind: (
            rows_of["start_ns"][rows_of["kind"] == kind],
            rows_of["end_ns"][rows_of["kind"] == kind],
        )
        for kind in (int(RECEIVE), int(COMPLETED), int(BIT))
    }
    busy = made.receive_busy_ns + made.complete_busy_ns + made.bit_busy_ns
    return Traced(
        spec,
        rows,
        rows[np.isin(rows["to"], [node, int(To.EVERY_NODE)])],
        starts,
        starts + spec.uart.ready_ns,
        joined["shown"],
        joined["data"],
        by_kind,
        joined["edges"],
        busy + made.foreground_busy_ns,
        int(starts[-1] - starts[0]) + spec.uart.character_ns,
        joined["lost"],
        joined["dropped"],
    )


def starts_of(line: Line, spec: NodeSpec) -> Times:
    """When each character of a line starts: run by run, on the exact grid."""
    first = line.runs["first"] - line.runs["first"][0]
    counts = np.diff(np.append(first, len(line.octets)))
    k = np.arange(len(line.octets)) - np.repeat(first, counts)
    begun = np.repeat(line.runs["start_ns"], counts)
    rem = np.repeat(line.runs["start_rem"], counts)
    starts: Times = begun + (rem + k * spec.pitch.num) // spec.pitch.den
    return starts


# --- the receiver ---------------------------------------------------------------------


def takes(trial: Traced) -> Times:
    """When each character was taken, by the looks of the receive handlers."""
    cost, complete = trial.spec.cost, trial.complete
    ends: set[int] = set()
    if trial.spec.packet.delimiting.kind != Delimiter.SILENCE:
        ends = set((trial.mine["first"] + trial.mine["octets"] - 1).tolist())
    taken: list[int] = []
    for begun, ended in zip(*receiving(trial), strict=True):
        look = begun + cost.entry_ns
        for _ in range(cost.body_limit):
            if len(taken) == len(complete) or complete[len(taken)] > look:
                break
            at = len(taken)
            taken.append(int(look))
            look += cost.per_character_ns
            look += cost.per_packet_ns if at in ends else 0
        # A packet that a silence ends is handled at the look that finds none.
        assert ended - look - cost.exit_ns in (0, cost.per_packet_ns)
    assert len(taken) == len(complete)
    return np.array(taken, np.int64)


def receiving(trial: Traced) -> tuple[Times, Times]:
    """Begin and end of each receive interrupt."""
    return trial.interrupts[int(RECEIVE)]


def late_ns(trial: Traced, taken: Times, group: int) -> int:
    """How late a character was taken, after the one that makes up its group."""
    asked = trial.complete[group - 1 :]
    return int((taken[: len(asked)] - asked).max())


def filling(trial: Traced, taken: Times) -> int:
    """Most characters that were in the FIFO just before a look."""
    came = np.searchsorted(trial.complete, taken, "right")
    return int((came - np.arange(len(taken))).max())


def share(trial: Traced) -> float:
    """The share of interrupts while the line is busy, and a burst runs.

    The receiver's within packets, the others' within bursts.
    """
    begins, ends = receiving(trial)
    rows = trial.mine
    first = trial.starts[rows["first"]]
    last = trial.complete[rows["first"] + rows["octets"] - 1]
    found = _within((begins, ends), (first, last))
    for kind in (COMPLETED, BIT):
        bursts = trial.shown["burst_ns"], trial.shown["end_ns"]
        found += _within(trial.interrupts[int(kind)], bursts)
    return found


def _within(spans: tuple[Times, Times], windows: tuple[Times, Times]) -> float:
    """The share of some windows that some spans take."""
    sums = np.concatenate(([0], np.cumsum(spans[1] - spans[0])))
    spent = 0
    for first, last in zip(*windows, strict=True):
        low = int(np.searchsorted(spans[0], first, "left"))
        high = int(np.searchsorted(spans[0], last, "right"))
        spent += int(sums[high] - sums[low])
    return spent / float((windows[1] - windows[0]).sum())


# --- the foreground -------------------------------------------------------------------


def work_began(trial: Traced, ended: int, work_ns: int) -> int:
    """When foreground work began that ended then, interrupts left out."""
    every = trial.interrupts.values()
    begins, ends = (np.concatenate([one[side] for one in every]) for side in (0, 1))
    order = np.argsort(begins)
    begins, ends = begins[order], ends[order]
    at, left = ended, work_ns
    place = int(np.searchsorted(ends, ended, "right"))
    while place and at - int(ends[place - 1]) < left:
        left -= at - int(ends[place - 1])
        at = int(begins[place - 1])
        place -= 1
    return at - left


def rearranged(trial: Traced) -> Times:
    """When each shown packet had been rearranged: as the output's start was begun.

    A loop that polls makes a pass in between, at least.
    """
    work = trial.spec.cost.start_output_ns
    if trial.spec.receive.method == "poll":
        work += trial.spec.receive.pass_ns
    return np.array(
        [work_began(trial, int(ns), work) for ns in trial.shown["burst_ns"]], np.int64
    )


# --- the output -----------------------------------------------------------------------


def of_kind(trial: Traced, kind: int) -> list[Times]:
    """Edges of one kind, burst by burst."""
    edges = trial.edges[trial.edges["kind"] == kind]
    cuts = np.flatnonzero(np.diff(edges["burst"])) + 1
    return [part["ns"] for part in np.split(edges, cuts)]


def words_late(trial: Traced) -> int:
    """How late a port word moved after its rollover."""
    hz = trial.spec.output.clock_hz
    late = 0
    for begun, words in zip(trial.shown["burst_ns"], of_kind(trial, WORD), strict=True):
        late = max(late, int((words - _grid(int(begun), len(words), hz)).max()))
    return late


def pause(trial: Traced) -> int:
    """The longest that a burst's clock stayed low, on one lane."""
    longest = 0
    edges = trial.edges
    for lane in np.unique(edges["lane"]):
        mine = edges[(edges["lane"] == lane) & (edges["kind"] != WORD)]
        falls, rises = mine[:-1], mine[1:]
        low = (falls["kind"] == FALL) & (rises["kind"] == RISE)
        low &= falls["burst"] == rises["burst"]
        longest = max(longest, int((rises["ns"] - falls["ns"])[low].max()))
    return longest


def tick_waits(trial: Traced) -> int:
    """How long a bit's interrupt waited after its tick."""
    hz, clocks = trial.spec.output.clock_hz, trial.spec.output.clocks
    begun = trial.interrupts[int(BIT)][0].reshape(-1, clocks)
    return max(
        int((row - _grid(int(burst), clocks, hz)).max())
        for burst, row in zip(trial.shown["burst_ns"], begun, strict=True)
    )


def bit_error(trial: Traced) -> int:
    """How far a bit of a UART lane was from its place, counted from its start bit."""
    theirs = trial.spec.output.lane_hz
    places = np.arange(11) * 1_000_000_000 // theirs
    error = 0
    for words in of_kind(trial, WORD):
        whole = np.append(words, words[-1] + places[1]).reshape(-1)
        starts = np.arange(0, len(words) - 9, 10)
        bits = whole[starts[:, None] + np.arange(11)]
        off = bits - bits[:, :1] - places
        error = max(error, int(off[:, 1:10].max()), int(-off[:, 2:].min()))
    return error


def _grid(begun: int, count: int, hz: int) -> Times:
    """Rollovers of a clock."""
    grid: Times = begun + np.arange(count) * 1_000_000_000 // hz
    return grid


def gaps(trial: Traced) -> tuple[int, int]:
    """Least time from a burst's end to the next one's first bit, and burst to burst."""
    shown = trial.shown
    return (
        int((shown["first_bit_ns"][1:] - shown["end_ns"][:-1]).min()),
        int(np.diff(shown["burst_ns"]).min()),
    )
