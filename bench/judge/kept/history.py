"""The recent past of the line: packets, what they carry, and their characters.

Columns only grow at their end and are forgotten from their front, so a place in one is
a number that stays valid: `Tail`.  The judge matches against these columns and takes
from them what it keeps beside an anomaly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Generic, TypeVar

import numpy as np

from bench.base.columns import SENT, To

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from bench.base.columns import Line, Octets, Rows, Sent

    Integers = NDArray[np.int64]
    Unwrap = Callable[[bytes], bytes | None]

Item = TypeVar("Item", bound=np.generic)

_SMALLEST = 1024
"""Items that a column has room for at least."""

_BEFORE = 3
"""Packets that are kept before the first one that still matters: they are shown beside
an anomaly."""


_LOOKED_AT = 64
"""Packets among which one for our nodes is looked for before forgetting payload."""


_SEARCHED = 256
"""Packets of the line that are searched for what a stray burst holds."""

_HEAD = 4
"""Octets that are compared first."""


class Tail(Generic[Item]):
    """The end of a column that grows for ever."""

    def __init__(self, dtype: np.dtype[Item] | type[Item]) -> None:
        self._store: NDArray[Item] = np.zeros(_SMALLEST, dtype)
        self._from = self._to = 0
        self.first = 0

    @property
    def end(self) -> int:
        """Place after the last item."""
        return self.first + self._to - self._from

    @property
    def view(self) -> NDArray[Item]:
        """What is kept, from place `first` on; valid until the next `append`."""
        return self._store[self._from : self._to]

    def append(self, items: NDArray[Item]) -> NDArray[Item]:
        """Add items at the end, and return where they now lie."""
        added = self.extend(len(items))
        added[:] = items
        return added

    def extend(self, more: int) -> NDArray[Item]:
        """Add items of no stated value at the end, and return where they lie."""
        if self._to + more > len(self._store):
            self._make_room(more)
        self._to += more
        return self._store[self._to - more : self._to]

    def restart(self, first: int) -> None:
        """Drop everything, and go on at a place."""
        self._from = self._to = 0
        self.first = first

    def forget(self, before: int) -> None:
        """Drop what lies before a place."""
        gone = min(max(0, before - self.first), self._to - self._from)
        self._from += gone
        self.first += gone

    def _make_room(self, more: int) -> None:
        """Move what is kept to the front, of a larger store if it is half the store."""
        kept = self.view
        wanted = 2 * (len(kept) + more)
        store = self._store
        if wanted > len(store):
            store = np.zeros(1 << (wanted - 1).bit_length(), store.dtype)
        store[: len(kept)] = kept
        self._store, self._from, self._to = store, 0, len(kept)


class History:
    """Packets and characters of the line, as far back as they still matter.

    Attributes:
        rows: `SENT` rows; their `payload_at` is a place in `payload`.
        last_bit_ns: Of each of them, once more, close together.
        payload: What the packets for our nodes carry.
    """

    def __init__(
        self, unwrap: Unwrap, shares: Sequence[tuple[int, int]] | None = None
    ) -> None:
        """Begin with nothing.

        Args:
            unwrap: The payload that the characters of one packet carry, or None.
            shares: Where each node's octets begin in a payload for every node, and how
                many there are; None where each shows all of one.
        """
        self.rows: Tail[np.void] = Tail(SENT)
        self.last_bit_ns: Tail[np.int64] = Tail(np.int64)
        self.payload: Tail[np.uint8] = Tail(np.uint8)
        self._line: Tail[np.uint8] = Tail(np.uint8)
        self._unwrap = unwrap
        self._shares = None if shares is None else np.array(shares, np.int64)
        self._foreign: dict[int, bytes | None] = {}

    def add(self, line: Line, sent: Sent) -> Rows:
        """Take a chunk of the line and the packets that end in it.

        Returns:
            The new rows as they are kept.

        Raises:
            ValueError: If a packet points beyond the payload that came with it.
        """
        if line.first != self._line.end:
            self._line.restart(line.first)
        self._line.append(line.octets)
        from bench.kernels.match import rings

        at = self.payload.end
        self.payload.append(sent.payload)
        rows = self.rows.append(sent.rows)
        last_bit_ns = self.last_bit_ns.extend(len(rows))
        done = rings.place(rows, at, len(sent.payload), last_bit_ns)
        if done < len(rows):
            raise ValueError(f"packet row {done} points beyond its payload")
        return rows

    def row(self, place: int) -> Any:
        """One packet."""
        return self.rows.view[place - self.rows.first]

    def identity(self, place: int) -> dict[str, int | None]:
        """Which packet one is, for a person; nothing known for -1."""
        if place < 0:
            return {"packet": None, "frame": None, "sent_ns": None}
        row = self.row(place)
        return {
            "packet": int(row["packet"]),
            "frame": int(row["frame"]) if row["frame"] >= 0 else None,
            "sent_ns": int(row["start_ns"]),
        }

    def contents(self, place: int, node: int = -1) -> bytes | None:
        """What one packet carries; None where its characters make no sense.

        Args:
            place: The packet.
            node: Of a payload for every node, the octets of this one; -1: all of it.
        """
        row = self.row(place)
        if row["payload_at"] >= 0:
            start = int(row["payload_at"]) - self.payload.first
            size = int(row["payload_octets"])
            if self._shares is not None and node >= 0 and row["to"] == To.EVERY_NODE:
                begin, wanted = (int(one) for one in self._shares[node])
                begin = min(begin, size)
                start, size = start + begin, min(wanted, size - begin)
            return self.payload.view[start : start + size].tobytes()
        if place not in self._foreign:
            self._foreign[place] = self._unwrap(self.characters(place).tobytes())
        return self._foreign[place]

    def characters(self, place: int) -> Octets:
        """One packet as it stood on the line."""
        row = self.row(place)
        start = int(row["first"]) - self._line.first
        if start < 0:
            return self._line.view[:0]
        return self._line.view[start : start + int(row["octets"])]

    def before(self, place: int) -> list[str]:
        """The packets on the line before one, oldest first, as hex."""
        first = max(self.rows.first, place - _BEFORE)
        return [self.characters(k).tobytes().hex() for k in range(first, place)]

    def others(
        self, node: int, data: bytes, since_ns: int, until_ns: int
    ) -> Iterator[tuple[int, int]]:
        """Packets for others than a node that may carry something, the last one first.

        Args:
            node: Index of the node.
            data: What they may carry.
            since_ns: Their last bit came then or later,
            until_ns: and by then.

        Yields:
            Its place; and whose octets of it that may be, -1 where it is for one only.
        """
        end = self.ended_by(until_ns) - self.rows.first
        start = max(0, end - _SEARCHED)
        rows = self.rows.view[start:end]
        late = rows["last_bit_ns"] >= since_ns
        fits = (rows["payload_octets"] == len(data)) & late
        fits &= (rows["to"] != node) & (rows["to"] != To.EVERY_NODE)
        which = np.flatnonzero(fits)
        whose = np.full(len(which), -1)
        at = rows["payload_at"][which]
        if self._shares is not None:
            shared, others = self._shared(node, len(data), rows, late)
            which, whose = np.append(which, shared), np.append(whose, others)
            begin = rows["payload_at"][shared] + self._shares[others, 0]
            at = np.append(at, begin)
        ours = rows["payload_at"][which] >= 0
        alike = self._alike(at, ours, data)
        for k in alike[np.argsort(-which[alike], kind="stable")]:
            yield self.rows.first + start + int(which[k]), int(whose[k])

    def _shared(
        self, node: int, octets: int, rows: Rows, late: NDArray[np.bool_]
    ) -> tuple[Integers, Integers]:
        """Payloads for every node, and other nodes with so many octets of them."""
        assert self._shares is not None
        begin, size = self._shares.T
        left = rows["payload_octets"][:, None] - begin
        fits = np.clip(left, 0, size) == octets
        shared = (rows["to"] == To.EVERY_NODE) & (rows["payload_at"] >= 0) & late
        fits &= shared[:, None]
        fits[:, node] = False
        which, whose = np.nonzero(fits)
        return which, whose

    def _alike(self, at: Integers, ours: NDArray[np.bool_], data: bytes) -> Integers:
        """Which of some payloads begin as data do; where they are not kept, all."""
        # Whole contents are compared only where the first few octets are the same.
        alike = np.ones(len(at), np.bool_)
        for k, octet in enumerate(data[:_HEAD]):
            kept = np.flatnonzero(alike & ours)
            heads = self.payload.view[at[kept] - self.payload.first + k]
            alike[kept[heads != octet]] = False
        return np.flatnonzero(alike)

    def whose(self, place: int, node: int, data: bytes) -> int:
        """Which other node's octets of a shared payload something is; -1 for nobody."""
        nodes = range(0 if self._shares is None else len(self._shares))
        others = (n for n in nodes if n != node and self.contents(place, n) == data)
        return next(others, -1)

    def syncs(self, node: int, places: Integers) -> Integers:
        """The sync that follows each packet for a node before its next one, or -1."""
        rows = self.rows.view
        to_all, sync = rows["to"] == To.EVERY_NODE, rows["payload_at"] < 0
        following = self._after(to_all & sync, places)
        there = following < self._after(self._own(node), places)
        return np.where(there, following, -1)

    def syncs_by(self, ns: Integers) -> Integers:
        """How many of the syncs that are kept had come by each of some instants."""
        rows = self.rows.view
        syncs = (rows["to"] == To.EVERY_NODE) & (rows["payload_at"] < 0)
        count: Integers = np.searchsorted(
            self.last_bit_ns.view[syncs], ns, side="right"
        )
        return count

    def next_ns(self, node: int, places: Integers) -> Integers:
        """The last bit of the packet for a node that follows each of some, or never."""
        following = self._after(self._own(node), places) - self.rows.first
        never = np.iinfo(np.int64).max
        last_ns: Integers = np.append(self.last_bit_ns.view, never)[following]
        return last_ns

    def _own(self, node: int) -> NDArray[np.bool_]:
        """Which packets one node is to show."""
        rows = self.rows.view
        to_all = (rows["to"] == To.EVERY_NODE) & (rows["payload_at"] >= 0)
        own: NDArray[np.bool_] = to_all | (rows["to"] == node)
        return own

    def _after(self, which: NDArray[np.bool_], places: Integers) -> Integers:
        """The first of some packets after each place; the end where there is none."""
        found = np.append(np.flatnonzero(which), len(which))
        first = self.rows.first
        return first + found[np.searchsorted(found[:-1], places - first, side="right")]

    def ended_by(self, ns: int) -> int:
        """Place after the last packet whose last bit came by an instant."""
        column = self.last_bit_ns
        return column.first + int(np.searchsorted(column.view, ns, side="right"))

    def forget(self, floor_ns: int) -> None:
        """Drop packets whose last bit came before an instant, and their characters."""
        place = self.ended_by(floor_ns - 1) - _BEFORE
        if place <= self.rows.first:
            return
        self.rows.forget(place)
        self.last_bit_ns.forget(place)
        self._foreign = {k: v for k, v in self._foreign.items() if k >= place}
        kept = self.rows.view
        if not len(kept):
            return
        self._line.forget(int(kept["first"][0]))
        for at in kept["payload_at"][:_LOOKED_AT]:
            if at >= 0:
                self.payload.forget(int(at))
                break

    def first_frame(self, floor_ns: int) -> int | None:
        """The first frame with a packet whose last bit came by an instant or later."""
        start = self.ended_by(floor_ns - 1) - self.rows.first
        for frame in self.rows.view["frame"][start : start + _LOOKED_AT]:
            if frame >= 0:
                return int(frame)
        return None

    def first_character(self, place: int) -> int:
        """Place on the line where a packet begins; one still to come at the earliest.

        It may have begun in a chunk that ended inside it.
        """
        if place < self.rows.end:
            return int(self.row(place)["first"])
        for row in self.rows.view[-1:]:
            return int(row["first"] + row["octets"])
        return self._line.first
