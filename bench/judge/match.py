"""Which packet each burst shows: by content and order, with no tag in the payload.

Node by node, packets in the order of the line, bursts in the order of time:

* A packet is *released* when its last bit has come; for a node that shows on a sync,
  when that of the next sync has, and at the latest with the packet for the node that
  is `packets` after it.  From then on it *waits*.  A burst concerns packets that were
  released by its first bit; where times cannot be compared, those taken so far.
* Of the waiting packets, the first that holds the same octets is **shown**.  Those
  that waited before it were passed over: **lost**, unless they turn up later.
* Else, if it is darkness, and began long enough after the last packet that the node
  showed (the beginning, if none): **dark**.  What it has not shown it may not have
  heard.  Without data, darkness is a burst for which nothing waits.
* Else, if a packet that was decided lately holds the same, the last one counts: one
  that was shown, rightly or not, is **repeated**; one that was passed over is shown
  after all, **out of order**, where none that was shown holds the same.
* Else, if a packet that no sync has released holds the same: **stray**, that one's.
* Else, if a packet on the line lately, for somebody else, holds the same: **stray**.
* Else, if any packet waits: **corrupt**.  It is the one that differs in the fewest
  bits, the earliest of several; of a burst with too few clocks, whose data are partly
  what the chains held before, the earliest of all.  It no longer waits.
* Else **stray**: nobody's.

A burst may come in several rows, where its chains latched in a pause inside it: they
have the same beginning.  The first is decided as above, the others are its *rest*, and
change nothing but this: where the first spoilt a packet and a later one holds another
that waits, it is that one that is corrupt, and the first waits again.

In a payload that every node shares, a node's packet is its own octets.  A burst that
was never latched shows nothing, but what it held is told as *shifted*.  At most
`packets` of a node wait or are remembered, and none for longer than `memory_ns`: older
ones are lost and forgotten.  Packets that hold the same while both wait cannot be told
apart, and are marked so.  Without data, bursts are matched by order alone.

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


@dataclass(frozen=True, slots=True)
class Addressee:
    """What matching has to know of one node.

    Attributes:
        share: Where its octets begin in a payload for every node, and how many there
            are; None where it shows all of one.
        sync: Whether it shows on a sync.
        clocks: That a burst should have; 0 where nobody counts them.
        dark: What its lanes hold in darkness; None where it never darkens.
        dark_after_ns: Least silence before that.
    """

    share: tuple[int, int] | None = None
    sync: bool = False
    clocks: int = 0
    dark: bytes | None = None
    dark_after_ns: int = 0


class Matcher:
    """Decides bursts and packets, chunk by chunk."""

    def __init__(
        self,
        nodes: Sequence[Addressee],
        history: History,
        window: Window,
        watched: Sequence[int] | None = None,
    ) -> None:
        """Begin with nothing sent.

        Args:
            nodes: The nodes.
            history: Where the packets lie; whoever owns it adds chunks to it.
            window: How far back matching looks.
            watched: Indexes of the nodes whose bursts are seen; all unless stated.
        """
        from bench.kernels.match import bursts, records, rings

        self._bursts, self._records, self._rings = bursts, records, rings
        self._history = history
        self._window = window
        self._addressees = tuple(nodes)
        self._sync = any(node.sync for node in nodes)
        self.nodes = np.zeros(len(nodes), records.NODE)
        for index, (row, node) in enumerate(zip(self.nodes, nodes, strict=True)):
            row["index"] = index
            row["start"], row["size"] = node.share or (0, -1)
            row["sync"], row["clocks"] = node.sync, node.clocks
            row["dark"] = node.dark is not None
            row["alive"] = row["burst_ns"] = row["part"] = -1
        self.nodes["watched"][slice(None) if watched is None else list(watched)] = 1
        self._slots = np.zeros((len(nodes), _SMALLEST_RING), records.SLOT)
        self._rules = np.zeros(1, records.RULES)
        self._rules["window"] = window.packets
        self._rules["memory_ns"] = window.memory_ns
        self._rules["by_content"] = window.by_content
        self._until_ns = self._floor_ns = np.iinfo(np.int64).min
        self._out = np.empty(0, records.OUTCOME)

    @property
    def floor_ns(self) -> int:
        """No packet from before this instant matters any more."""
        return int(self._floor_ns)

    @property
    def memory_ns(self) -> int:
        """How long a packet waits at most."""
        return self._window.memory_ns

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
            wrong = self._bursts.beyond(shown, len(data))
            if wrong >= 0:
                raise ValueError(f"burst row {wrong} points beyond its data")
        self._queue(rows)
        out = self._begin(len(shown))
        owners = np.full(len(shown), self._records.ASK)
        payload = history.payload.view
        place = self._rules[0], self.nodes, self._slots, payload
        while not self._bursts.match(*place, shown, data, owners, out):
            b = int(self._rules[0]["bursts"])
            owners[b] = self._owner(seen, b)
        self._move_on(seen.until_ns)
        self._settle(self._until_ns, self._floor_ns, out)
        return out[: self._rules[0]["outcomes"]]

    def finish(self, until_ns: int) -> Rows:
        """Lose every packet that waits and whose last bit came by an instant.

        Those that came later have never been judged, and those that no sync released
        were never to be shown: they stay pending.
        """
        out = self._begin(0)
        self._settle(until_ns, np.iinfo(np.int64).max, out)
        return out[: self._rules[0]["outcomes"]]

    def pending(self) -> NDArray[np.int64]:
        """Packets of each node that have not been released."""
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

    def released_ns(self, outcomes: Rows) -> NDArray[np.int64]:
        """When the packets of some outcomes could be shown at the earliest."""
        mask = self._slots.shape[1] - 1
        places = outcomes["node"], outcomes["slot"] & mask
        released: NDArray[np.int64] = self._slots["release_ns"][places]
        return released

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
        """See `bench.kernels.match.rings.settle`."""
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
        if self._sync:
            floor = min(floor, self._first_held_ns())
        rows = history.last_bit_ns.view
        if len(rows) > _ROWS_MOST:
            floor = max(floor, int(rows[-_ROWS_MOST]))
        if len(history.payload.view) > _OCTETS_MOST:
            floor = max(floor, int(rows[len(rows) // 2]))
        self._floor_ns = max(self._floor_ns, floor)
        self._until_ns = max(self._until_ns, self._floor_ns)

    def _first_held_ns(self) -> int:
        """Last bit of the first packet that no sync has released yet."""
        nodes, mask = self.nodes, self._slots.shape[1] - 1
        which = np.flatnonzero(nodes["pulled"] < nodes["end"])
        held_ns = self._slots["last_bit_ns"][which, nodes["pulled"][which] & mask]
        return int(held_ns.min(initial=np.iinfo(np.int64).max))

    def _queue(self, rows: Rows) -> None:
        """Append a chunk's packets to the rings, which grow as they must."""
        first = self._history.rows.end - len(rows)
        done = 0
        while True:
            place = self._rules[0], self.nodes, self._slots
            done = self._rings.queue(*place, rows, done, first)
            if done == len(rows):
                return
            size = self._slots.shape[1]
            larger = np.zeros((len(self.nodes), 2 * size), self._slots.dtype)
            for n, node in enumerate(self.nodes):
                k = np.arange(node["oldest"], node["end"])
                larger[n, k & (2 * size - 1)] = self._slots[n, k & (size - 1)]
            self._slots = larger

    def _owner(self, seen: Seen, b: int) -> int:
        """Whose contents a burst held; see `bench.kernels.match.bursts.match`."""
        burst, history = seen.shown[b], self._history
        index = int(burst["node"])
        now_ns = int(burst["first_bit_ns"])
        if not self._window.causal:
            now_ns = int(self._rules[0]["now_ns"])
        data = b""
        if self._window.by_content:
            at = int(burst["data_at"])
            data = seen.data[at : at + int(burst["data_octets"])].tobytes()
        if self._is_dark(index, data, now_ns):
            return int(self._records.DARK)
        if not self._window.by_content:
            return int(self._records.NOBODY)
        since_ns = now_ns - self._window.memory_ns
        for place, node in history.others(index, data, since_ns, now_ns):
            if history.contents(place, node) == data:
                return place
        return int(self._records.NOBODY)

    def _is_dark(self, index: int, data: bytes, now_ns: int) -> bool:
        """Whether a burst is darkness after silence."""
        node = self._addressees[index]
        if node.dark is None or (self._window.by_content and data != node.dark):
            return False
        silent_ns = now_ns - int(self.nodes["heard_ns"][index])
        return silent_ns >= node.dark_after_ns or not self._window.causal
