"""A virtual wire: octets that arrive somehow, put on the line's exact grid.

A pty or a socket hands over octets in heaps and keeps no bit rate.  Here each character
starts no earlier than its octet arrived, and no earlier than one pitch after the start
of the character before it.  What follows without a gap is a run on one exact grid, so
that a night of characters does not drift.

How long the wire was idle between characters is counted: a sender that was late is seen
there, and whoever judges a node must know of it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, Line, no_rows

if TYPE_CHECKING:
    from bench.base.grid import Grid


@dataclass(slots=True)
class _Run:
    """Characters without a gap: where they begin, how many, how many were taken."""

    start_ns: int
    start_rem: int
    arrived: int = 0
    taken: int = 0


class VirtualWire:
    """A wire at rest since its time 0.

    Attributes:
        characters: Those that have arrived.
        gaps: How often the wire was idle between two of them.
        longest_idle_ns: The longest such time.
        waiting: Characters that have arrived and were not taken yet.
    """

    def __init__(self, pitch: Grid) -> None:
        """A wire.

        Args:
            pitch: From one start bit to the next in an unbroken run.
        """
        self._pitch = pitch
        self._runs: deque[_Run] = deque([_Run(0, 0)])
        self._octets = bytearray()
        self._first = 0
        self._idle_ns = 0
        self.characters = 0
        self.gaps = 0
        self.longest_idle_ns = 0

    @property
    def waiting(self) -> int:
        """See the class."""
        return len(self._octets)

    def arrive(self, octets: bytes, at_ns: int) -> int:
        """Octets arrive, all at one instant.

        Args:
            octets: At least one.
            at_ns: No earlier than what was handed in or taken before.

        Returns:
            When the first of them starts.
        """
        free_ns, free_rem = self._free()
        run = self._runs[-1]
        if at_ns > free_ns:
            if self.characters:
                self.gaps += 1
                self.longest_idle_ns = max(self.longest_idle_ns, at_ns - free_ns)
            self._idle_ns += at_ns - free_ns
            free_ns, free_rem = at_ns, 0
            run = _Run(free_ns, free_rem)
            self._runs.append(run)
        run.arrived += len(octets)
        self.characters += len(octets)
        self._octets += octets
        return free_ns

    def take(self, until_ns: int) -> Line:
        """The characters that are over by an instant and were not taken yet.

        One that is under way is left whole for the next time: the chunk then ends where
        it starts.
        """
        rows: list[tuple[int, int, int]] = []
        count = 0
        while True:
            run = self._runs[0]
            due = min(run.arrived, self._over(run, until_ns)) - run.taken
            if due > 0:
                start = self._pitch.after(run.taken, run.start_ns, run.start_rem)
                rows.append((count, *start))
                run.taken += due
                count += due
            if run.taken < run.arrived or len(self._runs) == 1:
                until_ns = self._before_next(run, until_ns)
                break
            self._runs.popleft()
        octets = np.frombuffer(bytes(self._octets[:count]), np.uint8)
        del self._octets[:count]
        first, self._first = self._first, self._first + count
        return Line(octets, np.array(rows, RUN), no_rows(FLAW), first, until_ns)

    def idle_ns(self, by_ns: int) -> int:
        """How long the wire has stood idle by an instant, from its time 0 on."""
        return self._idle_ns + max(0, by_ns - self._free()[0])

    def _free(self) -> tuple[int, int]:
        """When the next character can start."""
        run = self._runs[-1]
        return self._pitch.after(run.arrived, run.start_ns, run.start_rem)

    def _over(self, run: _Run, by_ns: int) -> int:
        """How many characters of an endless run are over, their pitch passed."""
        pitch = self._pitch
        units = (by_ns + 1 - run.start_ns) * pitch.den - run.start_rem - 1
        return max(0, units // pitch.num)

    def _before_next(self, run: _Run, ns: int) -> int:
        """An instant, or the start of the run's next character if that is earlier."""
        if run.taken == run.arrived:
            return ns
        return min(ns, self._pitch.at(run.taken, run.start_ns, run.start_rem))
