"""Where octets that were heard lay on the line, as far as reads can tell.

A read says that its octets came before it returned, and after the one before.  So they
are placed back to back, ending when the read returned, and starting no earlier than
what was placed before has ended.  Where more came than the line can have carried since
(a pty keeps no bit rate; a sender's clock may be fast) characters still do not overlap,
and end later than they were heard.

Octets whose reads returned at one instant are one heap, however many reads there were:
so the latest heap is held back until time has moved on.  Idle time between two heaps is
an estimate from the host's reads, and a hint at most.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.base.columns import Flaw

if TYPE_CHECKING:
    from bench.base.grid import Grid
    from bench.link.transport import Heard


@dataclass(frozen=True, slots=True)
class Heap:
    """Octets that came at once, and where they were placed.

    Attributes:
        octets: What came.
        flaws: Pairs of an index into `octets` and a `Flaw`.
        at_ns: When the last read returned.
        since_ns: When the one before it did.
        runs: Characters that follow each other without a gap: index of the first one,
            and its start bit on the line's grid.  A break is a run of its own, and one
            follows it.
        idle_ns: Estimated idle time before it; 0 where it goes on without a gap; None
            for the first.
    """

    octets: bytes
    flaws: tuple[tuple[int, int], ...]
    at_ns: int
    since_ns: int
    runs: tuple[tuple[int, int, int], ...]
    idle_ns: int | None


@dataclass(slots=True)
class _Pending:
    octets: bytearray = field(default_factory=bytearray)
    flaws: list[tuple[int, int]] = field(default_factory=list)
    at_ns: int = 0


class Placing:
    """Places heaps, one after another.

    Attributes:
        behind_ns: By how much at most characters were placed after they were heard.
    """

    def __init__(self, pitch: Grid, break_ns: int = 0, since_ns: int = 0) -> None:
        """Begin.

        Args:
            pitch: From one start bit to the next where characters follow each other.
            break_ns: What a break takes, the mark after it included; two characters
                where that is not known (0).
            since_ns: When listening began.
        """
        self._pitch = pitch
        self._break_ns = break_ns or 2 * pitch.at(1)
        self._pending = _Pending()
        self._since_ns = since_ns
        self._end: tuple[int, int] | None = None
        self.behind_ns = 0

    def take(self, heard: Heard, at_ns: int) -> Heap | None:
        """Take one read; the heap before it, if that is complete now.

        Args:
            heard: What came.
            at_ns: When the read returned, on the caller's time; never goes back.
        """
        heap = self.until(at_ns)
        pending = self._pending
        pending.flaws += [(len(pending.octets) + at, kind) for at, kind in heard.flaws]
        pending.octets += heard.octets
        pending.at_ns = at_ns
        return heap

    def until(self, ns: int) -> Heap | None:
        """Nothing more comes before an instant; the heap that this completes."""
        pending = self._pending
        if not pending.octets or ns <= pending.at_ns:
            return None
        return self._placed()

    def finish(self) -> Heap | None:
        """The last heap."""
        return self._placed() if self._pending.octets else None

    def _placed(self) -> Heap:
        pending, pitch = self._pending, self._pitch
        self._pending = _Pending()
        breaks = [at for at, kind in pending.flaws if kind == Flaw.BREAK]
        count = len(pending.octets) - len(breaks)
        long_ns = -(-count * pitch.num // pitch.den) + len(breaks) * self._break_ns
        wanted = pending.at_ns - long_ns
        idle_ns, start = None, (wanted, 0)
        if self._end is not None:
            end_ns, end_rem = self._end
            idle_ns = max(0, wanted - end_ns - (end_rem > 0))
            start = (wanted, 0) if idle_ns else self._end
        runs, self._end = self._runs(start, len(pending.octets), breaks)
        self.behind_ns = max(self.behind_ns, self._end[0] - pending.at_ns)
        since_ns, self._since_ns = self._since_ns, pending.at_ns
        octets, flaws = bytes(pending.octets), tuple(pending.flaws)
        return Heap(octets, flaws, pending.at_ns, since_ns, runs, idle_ns)

    def _runs(
        self, start: tuple[int, int], count: int, breaks: list[int]
    ) -> tuple[tuple[tuple[int, int, int], ...], tuple[int, int]]:
        """The runs of a heap that starts somewhere, and where it ends."""
        runs, at, place = [], 0, start
        for broken in breaks:
            if broken > at:
                runs.append((at, *place))
                place = self._pitch.after(broken - at, *place)
            runs.append((broken, *place))
            place = place[0] + self._break_ns, place[1]
            at = broken + 1
        if count > at:
            runs.append((at, *place))
            place = self._pitch.after(count - at, *place)
        return tuple(runs), place
