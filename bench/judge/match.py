"""Which packet each burst shows: by content and order, with no tag in the payload.

Node by node, packets in the order of the line, bursts in the order of time:

* A packet *waits* from the moment its last bit has come.  A burst concerns packets
  whose last bit came by its first bit; where times cannot be compared, those taken so
  far.
* Of the waiting packets, the first that holds the same octets is **shown**.  Those
  that waited before it were passed over: **lost**, unless they turn up later.
* Else, if a packet that was decided lately holds the same, the last one counts: one
  that was shown, rightly or not, is **repeated**; one that was passed over is shown
  after all, **out of order**, where none that was shown holds the same.
* Else, if a packet on the line lately, for somebody else, holds the same: **stray**.
* Else, if any packet waits: **corrupt**.  It is the one that differs in the fewest
  bits, the earliest of several, and no longer waits.
* Else **stray**: nobody's.

A burst that was never latched shows nothing, but what it held is told as *shifted*.  At
most `packets` of a node wait or are remembered, and none for longer than `memory_ns`:
older ones are lost and forgotten.  Packets that hold the same while both wait cannot be
told apart, and are marked so.  Without data, bursts are matched by order alone.

All of this depends on the columns and not on how they were cut into chunks, as long as
no burst of a later chunk began `hold_ns` or more before the end of an earlier one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import SHOWN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.base.columns import Rows, Seen
    from bench.judge.kept.history import History

_ROWS_MOST = 1 << 17
"""Packets of the line that are kept at most, should time not move on."""

_OCTETS_MOST = 1 << 24
"""Payload that is kept at most, likewise."""

_SMALLEST_RING = 16


@dataclass(frozen=True, slots=True)
class Window:
    """How far back matching looks.

    Attributes:
        packets: Of one node, that wait or are remembered at most.
        memory_ns: Older packets are lost and forgotten.
        hold_ns: More than the time from a burst's first bit to its being known of.
        causal: Whether times on the line and times of bursts can be compared.
        by_content: Whether bursts come with their data.
    """

    packets: int = 64
    memory_ns: int = 4_000_000_000
    hold_ns: int = 1_000_000_000
    causal: bool = True
    by_content: bool = True


class Matcher:
    """Decides bursts and packets, chunk by chunk."""

    def __init__(
        self,
        nodes: int,
        history: History,
        window: Window,
        watched: Sequence[int] | None = None,
    ) -> None:
        """Begin with nothing sent.

        Args:
            nodes: How many there are.
            history: Where the packets lie; whoever owns it adds chunks to it.
            window: How far back matching looks.
            watched: Indexes of the nodes whose bursts are seen; all unless stated.
        """
        from bench.kernels import match, rings

        self._match, self._rings = match, rings
        self._history = history
        self._window = window
        self.nodes = np.zeros(nodes, rings.NODE)
        self.nodes["index"] = np.arange(nodes)
        self.nodes["alive"] = -1
        self.nodes["watched"][slice(None) if watched is None else list(watched)] = 1
        self._slots = np.zeros((nodes, _SMALLEST_RING), rings.SLOT)
        self._rules = np.zeros(1, rings.RULES)
        self._rules["window"] = window.packets
        self._rules["memory_ns"] = window.memory_ns
        self._rules["by_content"] = window.by_content
        self._until_ns = self._floor_ns = np.iinfo(np.int64).min
        self._out = np.empty(0, rings.OUTCOME)

    @property
    def floor_ns(self) -> int:
        """No packet from before this instant matters any more."""
        return int(self._floor_ns)

    def take(self, rows: Rows, seen: Seen) -> Rows:
        """Match one chunk.

        Args:
            rows: The packets of the chunk, as the history keeps them.
            seen: What was seen of the nodes.

        Returns:
            `OUTCOME` rows, in the order in which they were decided; valid until the
            next call.

        Raises:
            ValueError: If a burst points beyond the data that came with it.
        """
        history = self._history
        shown = np.require(seen.shown, SHOWN, ["C", "W"])
        data = np.require(seen.data, np.uint8, ["C", "W"])
        if self._window.by_content:
            wrong = self._match.beyond(shown, len(data))
            if wrong >= 0:
                raise ValueError(f"burst row {wrong} points beyond its data")
        self._queue(rows)
        out = self._begin(len(shown))
        owners = np.full(len(shown), self._match.ASK)
        payload = history.payload.view
        place = self._rules[0], self.nodes, self._slots, payload
        while not self._match.match(*place, shown, data, owners, out):
            b = int(self._rules[0]["bursts"])
            owners[b] = self._owner(seen, b)
        self._move_on(seen.until_ns)
        self._settle(self._until_ns, self._floor_ns, out)
        return out[: self._rules[0]["outcomes"]]

    def finish(self, until_ns: int) -> Rows:
        """Lose every packet that waits and whose last bit came by an instant.

        Those that came later have never been judged: they stay pending.
        """
        out = self._begin(0)
        self._settle(until_ns, np.iinfo(np.int64).max, out)
        return out[: self._rules[0]["outcomes"]]

    def pending(self) -> NDArray[np.int64]:
        """Packets of each node whose last bit has not yet come."""
        pending: NDArray[np.int64] = self.nodes["end"] - self.nodes["pulled"]
        return pending

    def first_undecided(self) -> int:
        """Place in the history of the first packet that waits or is pending."""
        nodes, mask = self.nodes, self._slots.shape[1] - 1
        which = np.flatnonzero(nodes["next"] < nodes["end"])
        if not len(which):
            return self._history.rows.end
        sent = self._slots["sent"][which, nodes["next"][which] & mask]
        return int(sent.min())

    def notes(self, outcomes: Rows) -> NDArray[np.int64]:
        """What was noted beside the packets of some outcomes."""
        mask = self._slots.shape[1] - 1
        notes: NDArray[np.int64] = self._slots["note"][
            outcomes["node"], outcomes["slot"] & mask
        ]
        return notes

    def note(self, outcomes: Rows, notes: NDArray[np.int64] | int) -> None:
        """Note a number beside the packets of some outcomes."""
        mask = self._slots.shape[1] - 1
        places = outcomes["node"], outcomes["slot"] & mask
        self._slots["note"][places] = notes

    def _begin(self, bursts: int) -> Rows:
        """Reset the kernel's progress, and make room for all it may decide."""
        rules = self._rules[0]
        rules["now_ns"] = -1
        if not self._window.causal:
            newest = self._history.last_bit_ns.view[-1:]
            rules["now_ns"] = newest[0] if len(newest) else 0
        rules["payload_first"] = self._history.payload.first
        rules["bursts"] = rules["outcomes"] = 0
        most = bursts + int((self.nodes["end"] - self.nodes["next"]).sum())
        if len(self._out) < most:
            self._out = np.empty(2 * most, self._out.dtype)
        return self._out

    def _settle(self, until_ns: int, floor_ns: int, out: Rows) -> None:
        """See `bench.kernels.rings.settle`."""
        payload = self._history.payload.view
        rules = self._rules[0]
        self._rings.settle(
            rules, self.nodes, self._slots, payload, until_ns, floor_ns, out
        )

    def _move_on(self, seen_until_ns: int) -> None:
        """Move the instants that no burst to come can reach back to."""
        window, history = self._window, self._history
        until = seen_until_ns - window.hold_ns
        if not window.causal:
            until = int(self._rules[0]["now_ns"])
        self._until_ns = max(self._until_ns, until)
        floor = self._until_ns - window.memory_ns
        rows = history.last_bit_ns.view
        if len(rows) > _ROWS_MOST:
            floor = max(floor, int(rows[-_ROWS_MOST]))
        if len(history.payload.view) > _OCTETS_MOST:
            floor = max(floor, int(rows[len(rows) // 2]))
        self._floor_ns = max(self._floor_ns, floor)
        self._until_ns = max(self._until_ns, self._floor_ns)

    def _queue(self, rows: Rows) -> None:
        """Append a chunk's packets to the rings, which grow as they must."""
        first = self._history.rows.end - len(rows)
        done = 0
        while True:
            done = self._rings.queue(self.nodes, self._slots, rows, done, first)
            if done == len(rows):
                return
            size = self._slots.shape[1]
            larger = np.zeros((len(self.nodes), 2 * size), self._slots.dtype)
            for n, node in enumerate(self.nodes):
                k = np.arange(node["oldest"], node["end"])
                larger[n, k & (2 * size - 1)] = self._slots[n, k & (size - 1)]
            self._slots = larger

    def _owner(self, seen: Seen, b: int) -> int:
        """Place of the last packet for somebody else that holds what a burst held."""
        burst, history = seen.shown[b], self._history
        at = int(burst["data_at"])
        data = seen.data[at : at + int(burst["data_octets"])].tobytes()
        now_ns = int(burst["first_bit_ns"])
        if not self._window.causal:
            now_ns = int(self._rules[0]["now_ns"])
        since_ns = now_ns - self._window.memory_ns
        for place in history.others(int(burst["node"]), data, since_ns, now_ns):
            if history.contents(place) == data:
                return place
        return int(self._match.NOBODY)
