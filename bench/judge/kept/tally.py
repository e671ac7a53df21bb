"""What became of the packets, counted node by node, with times and causes.

Outcomes come as columns.  The usual one, shown in order, costs a few array operations;
each of the others may cost a Python object or two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import To
from bench.judge.causes import Causes, Evidence
from bench.judge.histogram import Histogram
from bench.judge.kept.anomalies import Anomalies
from bench.judge.kept.figures import Bursts, Frames
from bench.judge.kept.intervals import Intervals
from bench.judge.kept.losses import Losses
from bench.judge.words import (
    SYNC_MISSED,
    Clocks,
    Why,
    Wording,
    clocks_text,
    code_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from fractions import Fraction

    from numpy.typing import NDArray

    from bench.base.columns import Rows, Seen
    from bench.judge.kept.history import History
    from bench.judge.match import Matcher
    from bench.link.observes import Observes
    from bench.profile.model import Node

COUNTED = (
    "shown",
    "lost",
    "corrupt",
    "stray",
    "repeated",
    "out_of_order",
    "late",
    "ambiguous",
)
"""What is counted of packets, beside those offered."""


_CODES = 2 * SYNC_MISSED
"""More than there are causes."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a tally has to know of the profile.

    Attributes:
        nodes: The nodes.
        latency_ns: Later is late; None for no limit.
        longest: Characters of the longest packet.
        character_ns: Time of one.
    """

    nodes: Sequence[Node]
    latency_ns: int | None
    longest: int
    character_ns: Fraction


class Tally:
    """Counts, times and causes.

    Attributes:
        counts: For each word of `COUNTED` one number a node.
        blackouts: Bursts of darkness after silence, likewise.
        held: Packets that wait for a sync that does not come, likewise.
        intervals: The same counts, interval by interval.
        later_sync: Packets that were shown on a later sync than the next, likewise.
        bursts: Clocks and gaps.
        frames: Dropped frames and skew.
        evidence: What nodes confess.
        losses: Why packets were lost.
        causes: Why packets were not shown as they were sent.
        anomalies: The details, to be drained.
        first_bit_ns: Last bit in to first bit out.
        shown_ns: Last bit in to shown.
        synced_ns: Last bit of the sync to shown, of nodes that show on one.
        latest_ns: The greatest from last bit in to shown for each node; -1 for none.
        recent_latest_ns: The same since somebody last asked.
    """

    def __init__(
        self, limits: Limits, observes: Observes, history: History, matcher: Matcher
    ) -> None:
        from bench.kernels.match import records

        self._kinds = records
        self._limits = limits
        self._observes = observes
        self._history = history
        self._matcher = matcher
        self._names = [node.name for node in limits.nodes]
        self._wording = [Wording(node, limits.character_ns) for node in limits.nodes]
        sync = np.array([node.processor.show == "sync" for node in limits.nodes])
        self._synced = bool(sync.any())
        # Without its data, which packet a burst shows is a guess, and so is its delay.
        self._timed = observes.times and observes.data
        size = len(limits.nodes)
        self.counts = {word: np.zeros(size, np.int64) for word in COUNTED}
        self.blackouts, self.held, self.later_sync = np.zeros((3, size), np.int64)
        self.intervals = Intervals(COUNTED, size)
        self.bursts = Bursts(limits.nodes, observes)
        self.frames = Frames()
        self.evidence = Evidence(
            size, limits.longest, dropped=observes.dropped, lost=observes.lost
        )
        self.losses = Losses(history, self.evidence, self._wording, sync)
        self.causes = Causes()
        self.anomalies = Anomalies(self._names, history)
        self.first_bit_ns = Histogram()
        self.shown_ns = Histogram()
        self.synced_ns = Histogram()
        self._wrong = np.empty(0, np.int64)  # bursts of this chunk with wrong clocks
        self.latest_ns = np.full(size, -1)
        self.recent_latest_ns = np.full(size, -1)

    def recent_latest(self) -> NDArray[np.int64]:
        """The latest of each node since the last call."""
        recent = self.recent_latest_ns.copy()
        self.recent_latest_ns[:] = -1
        return recent

    def take_bursts(self, seen: Seen) -> None:
        """Count the bursts of a chunk, and its confessions."""
        self.evidence.add(seen)
        self._wrong = self.bursts.add(seen.shown)

    def take(self, outcomes: Rows, seen: Seen) -> None:
        """Count what was decided about a chunk."""
        if not self._observes.shown:
            return
        if len(self._wrong):
            self._tell_clocks(outcomes, seen)
            self._wrong = self._wrong[:0]
        kind, kinds = outcomes["kind"], self._kinds
        if outcomes["alike"].any():
            alike = (outcomes["alike"] == 1) & (kind <= kinds.IS_CORRUPT)
            self._count("ambiguous", outcomes[alike])
        if not kind.any():  # all were shown, the first kind
            self._show(outcomes, seen)
            return
        shifted = outcomes[kind == kinds.IS_SHIFTED]
        self._matcher.note(shifted, code_of(Why.SHIFTED))
        self._lose(self._hold_back(outcomes[kind == kinds.IS_LOST]))
        shown = (kind == kinds.IS_SHOWN) | (kind == kinds.IS_LATER)
        self._show(outcomes[shown], seen)
        self._find_again(outcomes[kind == kinds.IS_LATER], seen)
        for outcome in outcomes[kind == kinds.IS_REPEATED]:
            self._odd("repeated", outcome, seen)
        for outcome in outcomes[kind == kinds.IS_CORRUPT]:
            self._spoil(outcome, seen)
        for outcome in outcomes[kind == kinds.IS_STRAY]:
            self._stray(outcome, seen)
        for outcome in outcomes[kind == kinds.IS_MOVED]:
            self._move(outcome)
        dark = outcomes["node"][kind == kinds.IS_DARK]
        self.blackouts += np.bincount(dark, minlength=len(self.blackouts))

    def _count(self, word: str, outcomes: Rows, count: int = 1) -> None:
        counts, node = self.counts[word], outcomes["node"]
        counts += count * np.bincount(node, minlength=len(counts))
        self.intervals.add(word, outcomes["sent"], node, count)

    def _held(self, outcomes: Rows, count: int = 1) -> None:
        node = outcomes["node"]
        self.held += count * np.bincount(node, minlength=len(self.held))
        self.intervals.add("held", outcomes["sent"], node, count)

    def _show(self, outcomes: Rows, seen: Seen) -> None:
        """Packets that were shown: when."""
        self._count("shown", outcomes)
        if not self._timed:
            return
        if outcomes["alike"].any():
            outcomes = outcomes[outcomes["alike"] == 0]
        node, burst = outcomes["node"], outcomes["burst"]
        if self._synced:
            self._show_synced(outcomes[self.losses.sync[node]], seen)
        place = outcomes["sent"] - self._history.rows.first
        last_ns = self._history.last_bit_ns.view[place]
        shown_ns = seen.shown["shown_ns"][burst]
        delay_ns = shown_ns - last_ns
        first_ns = seen.shown["first_bit_ns"][burst] - last_ns
        self.first_bit_ns.add(first_ns)
        self.shown_ns.add(delay_ns)
        self.intervals.time("first_bit", outcomes["sent"], first_ns)
        self.intervals.time("shown", outcomes["sent"], delay_ns)
        np.maximum.at(self.latest_ns, node, delay_ns)
        np.maximum.at(self.recent_latest_ns, node, delay_ns)
        rows = self._history.rows.view
        broadcast = rows["to"][place] == To.EVERY_NODE
        self.frames.shown(rows["frame"][place], broadcast, shown_ns)
        limit = self._limits.latency_ns
        if limit is None or not (delay_ns > limit).any():
            return
        late = outcomes[delay_ns > limit]
        self._count("late", late)
        for k in range(self.anomalies.wanted("late", len(late))):
            delay = int(delay_ns[delay_ns > limit][k])
            self._tell("late", late[k], seen, f"limit {limit} ns", latency_ns=delay)

    def _show_synced(self, outcomes: Rows, seen: Seen) -> None:
        """Packets that were shown on a sync: how long after it, and whether its own."""
        bursts = seen.shown[outcomes["burst"]]
        released_ns = self._matcher.released_ns(outcomes)
        after_ns = bursts["shown_ns"] - released_ns
        self.synced_ns.add(after_ns)
        self.intervals.time("after_sync", outcomes["sent"], after_ns)
        between = self._history.syncs_by(bursts["first_bit_ns"])
        later = between > self._history.syncs_by(released_ns)
        node = outcomes["node"][later]
        self.later_sync += np.bincount(node, minlength=len(self.later_sync))

    def _tell_clocks(self, outcomes: Rows, seen: Seen) -> None:
        """Wrong clocks of a chunk, and what is known of those bursts."""
        bursts, data = seen.shown[self._wrong], self._observes.data
        node = bursts["node"]
        half = np.array([wording.half for wording in self._wording])[node]
        expected = self.bursts.expected[node]
        more = bursts["clocks"] - expected
        known = _known_of(len(seen.shown), outcomes, data=data)[self._wrong]
        known[(known == Clocks.PLAIN) & half & (more < 0)] = Clocks.HALF
        for value, what in {*zip(more.tolist(), known.tolist(), strict=True)}:
            which = np.flatnonzero((more == value) & (known == what))
            at, first = _earliest(bursts["first_bit_ns"], node, which)
            example = {"node": self._names[node[first]]}
            text = clocks_text(value, Clocks(what))
            self.causes.add("wrong_clocks", text, at, example, len(which))
        for k in range(self.anomalies.wanted("wrong_clocks", len(bursts))):
            self.anomalies.tell(
                "wrong_clocks",
                int(node[k]),
                int(bursts["first_bit_ns"][k]),
                clocks_text(int(more[k]), Clocks(known[k])),
                data=self._data(seen, int(self._wrong[k])),
                clocks=int(bursts["clocks"][k]),
                expected_clocks=int(expected[k]),
                data_intact=bool(known[k] == Clocks.INTACT) if data else None,
            )

    def _lose(self, outcomes: Rows) -> None:
        """Packets that were passed over: why."""
        self._count("lost", outcomes)
        rows = self._history.rows.view[outcomes["sent"] - self._history.rows.first]
        self.frames.lost(rows["frame"], rows["to"] == To.EVERY_NODE)
        codes = np.zeros(len(rows), np.int64)
        for node in np.unique(outcomes["node"]):
            of = outcomes["node"] == node
            codes[of] = self.losses.explain(int(node), outcomes["sent"][of])
        guess = codes <= code_of(Why.NOT_KNOWN)
        shifted = self._matcher.notes(outcomes) == code_of(Why.SHIFTED)
        codes[guess & shifted] = code_of(Why.SHIFTED)
        self._matcher.note(outcomes, codes)
        keys = outcomes["node"] * _CODES + codes
        for key in np.unique(keys).tolist():
            (node, code), which = divmod(key, _CODES), np.flatnonzero(keys == key)
            at, first = _earliest(rows["last_bit_ns"], outcomes["node"], which)
            text = self.losses.count(node, code, len(which))
            example = self._example(outcomes[first])
            self.causes.add("lost", text, at, example, len(which))
        for k in range(self.anomalies.wanted("lost", len(rows))):
            self.anomalies.tell(
                "lost",
                int(outcomes["node"][k]),
                int(rows["last_bit_ns"][k]),
                self._wording[outcomes["node"][k]].cause(int(codes[k])),
                int(outcomes["sent"][k]),
                None,
                **self._overrun(outcomes[k]),
            )

    def _hold_back(self, outcomes: Rows) -> Rows:
        """Leave aside packets that a node only holds for a next sync; the others.

        A node that confesses keeps to itself nothing but that of a packet, if no other
        came to take its place.
        """
        if not (self._synced and self._observes.dropped and self._observes.lost):
            return outcomes
        held = self.losses.sync[outcomes["node"]]
        for node in np.unique(outcomes["node"][held]):
            which = np.flatnonzero(outcomes["node"] == node)
            places = outcomes["sent"][which]
            last_ns = self._history.last_bit_ns.view[places - self._history.rows.first]
            quiet_ns = self._history.next_ns(int(node), places) - last_ns
            codes = self.losses.explain(int(node), places)
            unknown = codes == code_of(Why.NOT_KNOWN)
            held[which] = unknown & (quiet_ns > self._matcher.memory_ns)
        self._matcher.note(outcomes[held], code_of(Why.HELD))
        self._held(outcomes[held])
        offered: Rows = outcomes[~held]
        return offered

    def _find_again(self, outcomes: Rows, seen: Seen) -> None:
        """Packets that were not lost after all: shown out of order."""
        if not len(outcomes):
            return
        held = self._matcher.notes(outcomes) == code_of(Why.HELD)
        self._held(outcomes[held], -1)
        for outcome in outcomes[held]:
            self._odd("out_of_order", outcome, seen)
        outcomes = outcomes[~held]
        self._count("lost", outcomes, -1)
        rows = self._history.rows.view[outcomes["sent"] - self._history.rows.first]
        self.frames.lost(rows["frame"], rows["to"] == To.EVERY_NODE, -1)
        codes = self._matcher.notes(outcomes).tolist()
        for node, code in zip(outcomes["node"].tolist(), codes, strict=True):
            self.causes.take_back("lost", self.losses.count(node, code, -1))
        for outcome in outcomes:
            self._odd("out_of_order", outcome, seen)

    def _spoil(self, outcome: Any, seen: Seen) -> None:
        """A packet that was shown with wrong data."""
        row = self._history.row(outcome["sent"])
        node = int(outcome["node"])
        frame = row["frame"].reshape(1)
        self.frames.lost(frame, np.array([row["to"] == To.EVERY_NODE]))
        first = row["first"].reshape(1)
        code = self.evidence.explain(node, first, first + row["octets"])[0]
        burst = seen.shown[outcome["burst"]]
        text = self._wording[node].corrupt(burst, int(code))
        self._odd("corrupt", outcome, seen, text, bits=int(outcome["bits"]))

    def _move(self, outcome: Any) -> None:
        """A burst turned out to have spoilt another packet than it was thought to."""
        node = outcome["node"].reshape(1)
        for place, count in ((outcome["other"], -1), (outcome["sent"], 1)):
            self.intervals.add("corrupt", place.reshape(1), node, count)
            row = self._history.row(int(place))
            broadcast = np.array([row["to"] == To.EVERY_NODE])
            self.frames.lost(row["frame"].reshape(1), broadcast, count)

    def _stray(self, outcome: Any, seen: Seen) -> None:
        """A burst that was for somebody else, or for nobody."""
        place, node = int(outcome["sent"]), int(outcome["node"])
        burst = seen.shown[outcome["burst"]]
        if place >= 0:
            text = f"holds {self._whose(place, node, seen, int(outcome['burst']))}"
        elif not self._observes.data:
            text = "nothing was to be shown"
        else:
            more = int(burst["clocks"]) - int(self.bursts.expected[node])
            wrong = burst["clocks"] >= 0 and more != 0
            text = clocks_text(more) if wrong else "holds no packet sent lately"
        self._odd("stray", outcome, seen, text)

    def _whose(self, place: int, node: int, seen: Seen, burst: int) -> str:
        """The packet that a stray burst holds."""
        row = self._history.row(place)
        to = int(row["to"])
        if to == To.EVERY_NODE:
            data = self._data(seen, burst) or b""
            other = self._history.whose(place, node, data)
            if other >= 0:
                return f"the octets of {self._names[other]}"
        if to in (node, To.EVERY_NODE):
            return "a packet that no sync had released"
        if to >= 0:
            return f"a packet for {self._names[to]}"
        return f"a packet for foreign address {row['address']}"

    def _odd(
        self, kind: str, outcome: Any, seen: Seen, text: str = "", **more: Any
    ) -> None:
        """Count one odd burst, with its cause and its details."""
        self._count(kind, outcome.reshape(1))
        if text:
            ns = int(seen.shown["first_bit_ns"][outcome["burst"]])
            at = ns, int(outcome["node"])
            self.causes.add(kind, text, at, self._example(outcome))
        if self.anomalies.wanted(kind, 1):
            self._tell(kind, outcome, seen, text, **more)

    def _tell(
        self, kind: str, outcome: Any, seen: Seen, text: str, **more: Any
    ) -> None:
        """Keep the details of one burst."""
        burst = int(outcome["burst"])
        self.anomalies.tell(
            kind,
            int(outcome["node"]),
            int(seen.shown["first_bit_ns"][burst]),
            text,
            int(outcome["sent"]),
            self._data(seen, burst),
            **more,
        )

    def _example(self, outcome: Any) -> dict[str, Any]:
        """Where one of a cause was."""
        return {
            "node": self._names[outcome["node"]],
            **self._history.identity(int(outcome["sent"])),
            **self._overrun(outcome),
        }

    def _overrun(self, outcome: Any) -> dict[str, int]:
        """How many characters of a packet its receiver lost, and the first of them."""
        if outcome["sent"] < 0 or outcome["kind"] != self._kinds.IS_LOST:
            return {}
        row = self._history.row(int(outcome["sent"]))
        first, octets = int(row["first"]), int(row["octets"])
        gone = self.evidence.lost_within(int(outcome["node"]), first, first + octets)
        return {"lost_characters": len(gone), "first_lost": gone[0]} if gone else {}

    def _data(self, seen: Seen, burst: int) -> bytes | None:
        """What one burst held, where that is observable."""
        if not self._observes.data:
            return None
        row = seen.shown[burst]
        at = int(row["data_at"])
        return seen.data[at : at + int(row["data_octets"])].tobytes()


def _known_of(bursts: int, outcomes: Rows, *, data: bool) -> NDArray[np.int64]:
    """What outcomes say of the clocks of so many bursts: `Clocks` of each."""
    from bench.kernels.match import records as kinds

    known = np.full(bursts, int(Clocks.PLAIN))
    right = (kinds.IS_SHOWN, kinds.IS_LATER, kinds.IS_REPEATED, kinds.IS_DARK)
    if data:
        known[outcomes["burst"][np.isin(outcomes["kind"], right)]] = Clocks.INTACT
    rest = np.isin(outcomes["kind"], (kinds.IS_REST, kinds.IS_MOVED))
    known[outcomes["burst"][rest]] = Clocks.REST
    return known


def _earliest(
    ns: NDArray[np.int64], node: NDArray[np.int64], which: NDArray[np.int64]
) -> tuple[tuple[int, int], int]:
    """When and at which node the earliest of some rows was, and its index."""
    first = which[np.lexsort((node[which], ns[which]))[0]]
    return (int(ns[first]), int(node[first])), int(first)
