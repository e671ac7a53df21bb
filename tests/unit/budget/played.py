"""A short trial on simulated nodes, measured in the terms of the budget's lines."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import Line, To
from bench.node.simulated import SimulatedNode
from bench.node.spec import node_specs
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from bench.profile import Profile

CHUNK = 1 << 20
"""Characters at a time."""


@dataclass
class Measured:
    """The worst that a node did.

    Attributes:
        sent: Own packets.
        shown: How many of its bursts were shown.
        dropped: Reasons of what it dropped.
        lost: Characters lost, by what it did then.
        first_ns: Greatest latency to the first bit; None where packets were lost.
        shown_ns: Greatest latency to shown.
        best_ns: Least latency to shown.
        burst_ns: Longest burst.
        extra: Most clocks too many, or too few below zero.
        marginal: Whether any burst was.
        unlatched: Bursts that were never shown.
        busy: Share of the time in interrupts, from the first character to the last.
        worked_ns: Time in interrupts and foreground jobs, to the end of everything.
        span_ns: From the first character to the last, or to the end of the last burst.
        packet_ns: The longest own packet on the line.
        apart_ns: Least time between the last bits of own packets, and over two.
        ends: Last bit and shown time of every own packet, where all were shown.
    """

    sent: int = 0
    shown: int = 0
    dropped: list[int] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)
    first_ns: int | None = None
    shown_ns: int | None = None
    best_ns: int | None = None
    burst_ns: int | None = None
    extra: int = 0
    marginal: bool = False
    unlatched: int = 0
    busy: float = 0.0
    worked_ns: int = 0
    span_ns: int = 0
    packet_ns: int = 0
    apart_ns: tuple[int, ...] = ()
    ends: Any = None


def played(
    profile: Profile, *, seed: int = 0, packets: int = 40, recording: Any = None
) -> list[Measured]:
    """What every node of a profile did in a trial of so many own packets."""
    schedule = Schedule(profile, seed=seed, packets=packets, recording=recording)
    nodes = [SimulatedNode(spec, seed=seed) for spec in node_specs(profile)]
    parts: list[list[Any]] = [[] for _ in nodes]
    sent, first, last = [], None, 0
    line: Line | None = None
    while (chunk := schedule.take(CHUNK)) is not None:
        line, told = chunk
        sent.append(told.rows)
        if len(line.runs) and first is None:
            first = int(line.runs["start_ns"][0])
        for node, part in zip(nodes, parts, strict=True):
            part.append(node.play(line))
    assert line is not None
    rows = np.concatenate(sent)
    last = int(rows["last_bit_ns"].max())
    line_ns = last - (first or 0)
    measured = []
    for index, (node, part) in enumerate(zip(nodes, parts, strict=True)):
        busy = node.receive_busy_ns + node.complete_busy_ns + node.bit_busy_ns
        to = [index, To.EVERY_NODE]
        if node.spec.on_sync:  # what is for every node is a sync then
            to = [index]
        mine = rows[np.isin(rows["to"], to)]
        part.append(
            node.play(_rest(line, node, int(mine["last_bit_ns"].max(initial=0))))
        )
        found = _measure(mine, part, busy / max(1, line_ns), node)
        found.worked_ns = node.receive_busy_ns + node.complete_busy_ns
        found.worked_ns += node.bit_busy_ns + node.foreground_busy_ns
        ends = [int(one.shown["end_ns"].max(initial=last)) for one in part]
        found.span_ns = max(ends) - (first or 0)
        measured.append(found)
    return measured


def _rest(line: Line, node: SimulatedNode, last_ns: int) -> Line:
    """An idle line, long enough for all that is under way, too short for darkness."""
    end_ns = line.until_ns + 2_000_000_000
    if dark_ns := node.spec.blackout_ns:
        end_ns = max(line.until_ns, last_ns + dark_ns * 3 // 4)
    after = line.first + len(line.octets)
    return Line(line.octets[:0], line.runs[:0], line.flaws[:0], after, end_ns)


def _measure(mine: Any, part: list[Any], busy: float, node: SimulatedNode) -> Measured:
    """One node's rows."""
    shown = np.concatenate([one.shown for one in part])
    dropped = np.concatenate([one.dropped for one in part])
    lost = np.concatenate([one.lost for one in part])
    output = node.spec.output
    found = Measured(
        sent=len(mine),
        shown=int((shown["shown_ns"] >= 0).sum()),
        dropped=dropped["reason"].tolist(),
        lost=lost["doing"].tolist(),
        unlatched=int((shown["shown_ns"] < 0).sum()),
        busy=busy,
        packet_ns=int((mine["last_bit_ns"] - mine["start_ns"]).max()),
    )
    if len(shown):
        found.burst_ns = int((shown["end_ns"] - shown["burst_ns"]).max())
        off = shown["clocks"] - output.clocks
        found.extra = int(off[np.abs(off).argmax()])
        found.marginal = bool((shown["marginal"] > 0).any())
    ends = mine["last_bit_ns"]
    found.apart_ns = tuple(
        int((ends[back:] - ends[:-back]).min()) for back in (1, 2) if len(ends) > back
    )
    if len(shown) == len(mine) and not found.unlatched:
        waits = shown["shown_ns"] - ends
        found.first_ns = int((shown["first_bit_ns"] - ends).max())
        found.shown_ns, found.best_ns = int(waits.max()), int(waits.min())
        found.ends = (mine["frame"].copy(), shown["shown_ns"].copy())
    return found
