"""Sighting lines of what simulated nodes did, and the queue in which they wait.

Times are told from the start of the first character since the far end was opened; what
a node does about earlier characters is not told to somebody who did not send them.

The far end may read slowly or not at all, and nobody waits for it: lines beyond what
the queue holds are not told, which is counted and told as soon as there is room, since
a sighting that was swallowed must not pass for a loss.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from bench.base.columns import Drop
from bench.link.lines import format_line, word_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.node.simulated import Played

MOST_WAITING = 4 << 20
"""Octets of lines that wait for the far end at most: seconds of a busy bus."""

NOT_TOLD = "lines-not-told"
"""What the counter of lines is called that the far end did not take in time."""


def lines_of(played: Played, address: int, origin_ns: int) -> Iterator[bytes]:
    """The sighting lines of what one node did.

    A burst that was shifted through, and never shown, is told as dropped only.

    Args:
        played: What it did.
        address: How it is called.
        origin_ns: What came of characters before it is left out; times count from it.
    """
    for row in played.shown:
        if row["burst_ns"] < origin_ns or row["shown_ns"] < 0:
            continue
        at = int(row["data_at"])
        octets = played.data[at : at + int(row["data_octets"])].tobytes()
        yield format_line(
            "shown",
            node=address,
            octets=octets,
            clocks=_known(row["clocks"]),
            burst=_since(row["burst_ns"], origin_ns),
            first=_since(row["first_bit_ns"], origin_ns),
            end=_since(row["end_ns"], origin_ns),
            shown=_since(row["shown_ns"], origin_ns),
            marginal=_known(row["marginal"]),
        )
    for row in played.dropped:
        if row["ns"] >= origin_ns:
            reason = word_of(Drop(int(row["reason"])))
            yield format_line("dropped", node=address, reason=reason)
    lost = int((played.lost["ns"] >= origin_ns).sum())
    if lost:
        yield format_line("lost", node=address, characters=lost)


def _known(value: int) -> int | None:
    return int(value) if value >= 0 else None


def _since(ns: int, origin_ns: int) -> int | None:
    return int(ns) - origin_ns if ns >= 0 else None


class Queue:
    """Lines that wait until they are due, and until the far end takes them.

    Attributes:
        not_told: Lines that were given up.
    """

    def __init__(self) -> None:
        self._later: deque[tuple[int, bytes]] = deque()
        self._now = bytearray()
        self._untold = 0
        self._waiting = 0
        self.not_told = 0

    def put(self, lines: Sequence[bytes], due_ns: int) -> None:
        """Lines that are to be told from an instant on, no earlier than those before.

        What does not fit is given up, line by line.
        """
        for line in lines:
            if self._waiting + len(line) > MOST_WAITING:
                self.not_told += 1
                self._untold += 1
                continue
            self._waiting += len(line)
            self._later.append((due_ns, line))

    def due(self, now_ns: int) -> bytearray:
        """What the far end is to get now; `taken` says how much of it it took."""
        while self._later and self._later[0][0] <= now_ns:
            self._now += self._later.popleft()[1]
        if self._untold and self._waiting < MOST_WAITING // 2:
            line = format_line("status", **{NOT_TOLD: self.not_told})
            self._waiting += len(line)
            self._now += line
            self._untold = 0
        return self._now

    def taken(self, octets: int) -> None:
        """The far end took so many of the octets that were due."""
        del self._now[:octets]
        self._waiting -= octets

    def clear(self) -> None:
        """Nobody is there any more."""
        self._later.clear()
        self._now.clear()
        self._untold = self._waiting = 0
