"""One simulated node: the public face of the kernel.

`SimulatedNode` checks and prepares: it turns a `NodeSpec` into the kernel's records,
gives it memory for one chunk, calls it until the chunk is done, and hands back rows.
It knows nothing of the trial; the same lines in any chunks give the same rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import (
    DROPPED,
    FLAW,
    LOST,
    RUN,
    SHOWN,
    Line,
    no_rows,
)
from bench.kernels.node import records
from bench.kernels.node.cut import cut
from bench.kernels.node.line import open_line
from bench.kernels.node.memory import forget
from bench.kernels.node.play import play
from bench.node.prepare import Store, dark_words, spec_record
from bench.node.trace import EDGE, Trace
from bench.node.under_way import put_before, under_way

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.base.columns import Octets, Rows
    from bench.node.spec import NodeSpec

_LOST_ROWS = 1 << 17
_DROPPED_ROWS = 1 << 12
_INTERRUPT_ROWS = 1 << 16
_DATA_OCTETS = 1 << 22
_SURVIVORS = 1 << 15
"""Octets that came in and are not forgotten yet: few enough to stay in a near cache."""

"""Room for the rows of one call; a call that fills it is followed by another."""


@dataclass(frozen=True, slots=True)
class Played:
    """What one node did with one chunk of the line.

    Attributes:
        shown: `SHOWN` rows; `data_at` counts into `data`.
        data: uint8, what the chains held.
        dropped: `DROPPED` rows.
        lost: `LOST` rows.
        interrupts: `INTERRUPT` rows, in trace mode; else none.
        edges: `EDGE` rows of `bench.node.trace` for the bursts, in trace mode.
    """

    shown: Rows
    data: Octets
    dropped: Rows
    lost: Rows
    interrupts: Rows
    edges: Rows


class SimulatedNode:
    """One node of a profile, played on chunks of the line."""

    def __init__(
        self,
        spec: NodeSpec,
        *,
        seed: int = 0,
        trace: bool = False,
        shortcuts: bool = True,
    ) -> None:
        """A node at rest, its line idle.

        Args:
            spec: What it is.
            seed: Of its random delays.
            trace: Whether every interrupt and every clock edge is to make a row.
            shortcuts: Whether the kernel may take whole interrupts at a time.
        """
        self.spec = spec
        self._seed = seed
        self._trace = Trace(spec, seed) if trace else None
        self._shortcuts = shortcuts and not trace
        self._record = spec_record(spec, seed)
        self._store = Store(spec)
        self._node = self._store.node
        # What may have to be remembered of earlier chunks.
        self._carry = spec.packet.longest_raw + spec.uart.fifo + 4
        self._spare = 4 + (self._carry if spec.resync == "rescan" else 0)
        self._begun: Line | None = None
        self._make_memory()
        self._make_rows(trace)

    @property
    def receive_busy_ns(self) -> int:
        """Time spent in receive interrupts that have ended."""
        return int(self._node[0]["receive_busy_ns"])

    @property
    def complete_busy_ns(self) -> int:
        """Time spent in transfer-complete interrupts that have ended."""
        return int(self._node[0]["complete_busy_ns"])

    @property
    def bit_busy_ns(self) -> int:
        """Time spent in output-bit interrupts that have ended."""
        return int(self._node[0]["bit_busy_ns"])

    @property
    def foreground_busy_ns(self) -> int:
        """Time that the foreground had the processor for a job."""
        return int(self._node[0]["foreground_busy_ns"])

    @property
    def interrupts(self) -> int:
        """Interrupts that have ended."""
        return int(self._node[0]["interrupts"])

    def play(self, line: Line) -> Played:
        """Play one chunk, up to `line.until_ns`.

        Args:
            line: The next chunk; its first place follows the last one's.
        """
        if self._begun is not None:
            line = put_before(self._begun, line)
        self._give(line)
        parts: list[Played] = []
        while True:
            ended = play(
                self._record,
                self._node,
                line.until_ns,
                self._spare,
                self._shortcuts,
            )
            parts.append(self._drain(self._undecided(line.until_ns)))
            if ended == records.REACHED:
                break
            forget(self._node)
        self._begun = under_way(line, self._node)
        return _joined(parts)

    def renew(self) -> None:
        """Let it be as it was when it was made; for many short lines one by one.

        Raises:
            ValueError: In trace mode, where it remembers too much.
        """
        if self._trace is not None:
            raise ValueError("a node that is traced is not renewed")
        self._store.renew(self.spec)
        self._begun = None

    def reset(self, at_ns: int) -> Played:
        """Begin anew at an instant; what was shown half, and what was dropped for it.

        Args:
            at_ns: The instant up to which it was played.
        """
        cut(self._record, self._node, at_ns)
        told = self._drain(0, at_ns)
        self._begun = None
        self._store.begin_anew(self.spec, at_ns)
        return told

    def _undecided(self, until_ns: int) -> int:
        """Bursts, 0 or 1, that latch after all if a reset forestalls the next bit."""
        node, shown = self._node[0], self._store["shown"]
        if node["shown"] == 0 or node["first_bit_ns"] < until_ns:
            return 0
        return int(shown[node["shown"] - 1]["shown_ns"] < 0)

    def _drain(self, kept: int, cut_ns: int | None = None) -> Played:
        """Take the rows of the last call, and empty them, but for the last ones shown.

        Args:
            kept: How many of those stay.
            cut_ns: When a reset cut the last burst off.
        """
        node, store = self._node[0], self._store
        shown = node["shown"] - kept
        data = shown * self.spec.payload_octets
        interrupts, edges = self._traced(shown, cut_ns)
        taken = Played(
            store["shown"][:shown].copy(),
            store["data"][:data].copy(),
            store["dropped"][: node["dropped"]].copy(),
            store["lost"][: node["lost"]].copy(),
            interrupts,
            edges,
        )
        for rows in (taken.shown, taken.dropped, taken.lost):
            rows["node"] = self.spec.index
        if kept:
            store["shown"][:kept] = store["shown"][shown : shown + kept]
            store["shown"][:kept]["data_at"] -= data
            store["data"][: node["data"] - data] = store["data"][data : node["data"]]
        node["shown"], node["data"] = kept, node["data"] - data
        for count in ("dropped", "lost", "traced"):
            node[count] = 0
        return taken

    def _traced(self, shown: int, cut_ns: int | None) -> tuple[Rows, Rows]:
        """Interrupts, and what the pins did in the bursts that have a row now."""
        node, store = self._node[0], self._store
        if self._trace is None:
            return no_rows(records.INTERRUPT), no_rows(EDGE)
        traced = store["traced"][: node["traced"]].copy()
        noted = traced["kind"] >= records.MOVED
        self._trace.note(traced[noted])
        edges = self._trace.edges(store["shown"][:shown], cut_ns)
        return traced[~noted], edges

    def _make_memory(self) -> None:
        """Room that depends on the node alone."""
        spec, store = self.spec, self._store
        payload, cost = spec.payload_octets, spec.cost
        words = int(self._record[0]["words_octets"])
        store.put("receive", np.zeros(cost.receive_buffers * payload, np.uint8))
        steps = [spec.pitch.after(k) for k in range(spec.uart.fifo + 2)]
        store.put("steps", np.array(steps, np.int64))
        store.put("slots", np.zeros((cost.receive_buffers, 2), np.int64))
        store.put("words", np.zeros(cost.word_buffers * words, np.uint8))
        store.put("word_slots", np.zeros(cost.word_buffers, records.HELD))
        store.put("dark", dark_words(spec, self._record))
        store.put("moves", np.zeros(spec.output.clocks, np.int64))
        for name in ("level", "level_before"):
            store.put(name, np.zeros(spec.output.word_octets, np.uint8))
        for name in ("chain", "before"):
            store.put(name, np.zeros(payload, np.uint8))
        scratch = max(spec.packet.longest_raw, payload)
        store.put("scratch", np.zeros(scratch, np.uint8))
        survivors = 2 * self._carry + _SURVIVORS
        store.put("survivors", np.zeros(survivors, np.uint8), "survivors_room")
        lost = _LOST_ROWS + spec.receive.ring
        store.make_room("spans", self._carry + lost + 4, records.SPAN)

    def _make_rows(self, trace: bool) -> None:
        """Room for what comes out of one call."""
        payload, store = self.spec.payload_octets, self._store
        shown = min(4096, max(4, _DATA_OCTETS // payload))
        held = self.spec.cost.receive_buffers + self.spec.cost.word_buffers
        dropped = _DROPPED_ROWS + self._spare + held
        traced = np.zeros(_INTERRUPT_ROWS if trace else 0, records.INTERRUPT)
        store.put("shown", np.zeros(shown, SHOWN), "shown_room")
        store.put("data", np.zeros(shown * payload, np.uint8))
        store.put("dropped", np.zeros(dropped, DROPPED), "dropped_room")
        lost = _LOST_ROWS + self.spec.receive.ring
        store.put("lost", np.zeros(lost, LOST), "lost_room")
        store.put("traced", traced, "traced_room")

    def _give(self, line: Line) -> None:
        """Hand a chunk to the kernel, with room for all that may come of it."""
        octets, runs, flaws = line.octets, line.runs, line.flaws
        store = self._store
        store.put("line_octets", np.ascontiguousarray(octets, np.uint8), "line_octets")
        store.put("line_runs", np.ascontiguousarray(runs, RUN), "line_runs")
        store.put("line_flaws", np.ascontiguousarray(flaws, FLAW), "line_flaws")
        self._node["first_place"] = line.first
        marks = 2 * (self._carry + runs.shape[0] + flaws.shape[0]) + 8
        store.make_room("marks", marks, records.MARK)
        forget(self._node)
        open_line(self._node)


def _joined(parts: Sequence[Played]) -> Played:
    """The rows of several calls as those of one."""
    if len(parts) == 1:
        return parts[0]
    moved = 0
    for part in parts:
        part.shown["data_at"] += moved
        moved += part.data.shape[0]
    return Played(
        np.concatenate([part.shown for part in parts]),
        np.concatenate([part.data for part in parts]),
        np.concatenate([part.dropped for part in parts]),
        np.concatenate([part.lost for part in parts]),
        np.concatenate([part.interrupts for part in parts]),
        np.concatenate([part.edges for part in parts]),
    )
