"""What sighters share: rows in the making, the nodes by name, the sent characters.

Where times cannot be observed, `shown_ns` is the order in which the bench heard of a
burst, and every other time is -1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import DROPPED, LOST, SHOWN, UNKNOWN, Seen, no_octets

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.base.columns import Line, Rows, Sent
    from bench.base.grid import Grid
    from bench.profile.model import Profile


class RowsInMaking:
    """Collects the rows of one `Seen`."""

    def __init__(self) -> None:
        self._order = 0
        self._shown: list[tuple[int, ...]] = []
        self._data = bytearray()
        self._dropped: list[tuple[int, ...]] = []
        self._lost: list[tuple[int, ...]] = []

    def shown(
        self,
        node: int,
        data: bytes = b"",
        *,
        times: Sequence[int | None] | None = None,
        clocks: int | None = None,
        marginal: int | None = None,
    ) -> None:
        """A node showed something.

        Args:
            node: Its index.
            data: What the chains held.
            times: Of the burst's first rollover, its first bit, its end and its
                latching; None for what is not known of them, or for all of them.
            clocks: How many there were; None: not known.
            marginal: Whether one was a runt; None: not known.
        """
        burst, first, end, latched = times or (None, None, None, self._order)
        self._order += 1
        self._shown.append(
            (
                *(_known(value) for value in (burst, first, end, latched, clocks)),
                len(self._data),
                len(data),
                node,
                _known(marginal),
                UNKNOWN,
            )
        )
        self._data += data

    def dropped(self, node: int, reason: int, ns: int) -> None:
        """A node says that it did not show a packet; which one is not told."""
        self._dropped.append((ns, UNKNOWN, UNKNOWN, node, reason))

    def lost(self, node: int, characters: int, ns: int) -> None:
        """A node says that its receiver lost characters; which ones is not told."""
        self._lost += [(UNKNOWN, ns, node, 0)] * characters

    def seen(self, until_ns: int) -> Seen:
        """All that was collected since the last call."""
        seen = Seen(
            np.array(self._shown, SHOWN),
            np.frombuffer(bytes(self._data), np.uint8) if self._data else no_octets(),
            np.array(self._dropped, DROPPED),
            np.array(self._lost, LOST),
            until_ns,
        )
        self._shown, self._dropped, self._lost = [], [], []
        self._data = bytearray()
        return seen


def _known(value: int | None) -> int:
    return UNKNOWN if value is None else value


class Names:
    """The nodes of a profile as somebody else calls them: by name or by address."""

    def __init__(self, profile: Profile) -> None:
        self._index: dict[str, int] = {}
        for index, node in enumerate(profile.node):
            self._index.setdefault(str(node.address), index)
        for index, node in enumerate(profile.node):
            self._index[node.name] = index
        self._alone = len(profile.node) == 1

    def index(self, name: str | None) -> int | None:
        """The index of a node; None where none is called so.

        Args:
            name: Its name or its address; None where it was not told, which is enough
                where there is only one.
        """
        if name is None:
            return 0 if self._alone else None
        return self._index.get(name)


class SentOctets:
    """The characters of the packets that were sent, however chunks cut them."""

    def __init__(self) -> None:
        self._octets = bytearray()
        self._first = 0

    def take(self, line: Line, sent: Sent) -> Iterator[tuple[np.void, bytes]]:
        """The packets that end in a chunk, each with its characters."""
        if not self._octets:
            self._first = line.first
        self._octets += line.octets.tobytes()
        for row in sent.rows:
            at = int(row["first"]) - self._first
            yield row, bytes(self._octets[at : at + int(row["octets"])])
        self._forget(sent.rows, line.first + len(line.octets))

    def _forget(self, rows: Rows, end: int) -> None:
        """Drop what no packet to come can hold."""
        done = self._first
        if len(rows):
            done = int((rows["first"] + rows["octets"]).max())
        # Pads may go on for hours without a packet.
        done = max(done, end - _LONGEST_PACKET)
        del self._octets[: done - self._first]
        self._first = done


_LONGEST_PACKET = 1 << 22
"""More characters than any packet has: a payload has at most a mebioctet, and stuffing
at most doubles it."""


def runs_of(line: Line, pitch: Grid) -> Iterator[tuple[int, int, int, int]]:
    """The unbroken runs of a chunk: first index, end, first start bit, last bit's end.

    A chunk that goes on where the one before ended begins with the rest of that run.
    """
    starts = line.runs["first"].tolist()
    ends = [*starts[1:], len(line.octets)]
    for row, end in zip(line.runs.tolist(), ends, strict=True):
        first, ns, rem = row
        yield first, end, ns, pitch.at(end - first, ns, rem)
