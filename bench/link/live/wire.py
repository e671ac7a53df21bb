"""The line as it must be by what was handed over: when everything is off it.

A character ends no earlier than its predecessor plus one character time, and none
starts before it was accepted.  Whether the line itself kept to that, only a capture of
it shows; but that it rested inside a run, since nothing was there to be sent, this can
tell.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.base.grid import Grid


class VirtualWire:
    """When everything accepted so far is off the line.

    Attributes:
        free_ns: That instant of the clock.
        busy: Characters whose time made up `busy_ns`.
        first_ns: When the first one was accepted; None before.
    """

    def __init__(self, pitch: Grid) -> None:
        self._pitch = pitch
        self._rem = 0
        self.free_ns = 0
        self.first_ns: int | None = None

    def accept(self, octets: int, now_ns: int) -> int:
        """Characters were accepted; how long the line had been free by then."""
        if self.first_ns is None:
            self.first_ns = self.free_ns = now_ns
        late_ns = now_ns - self.free_ns
        if late_ns > 0:
            self.free_ns, self._rem = now_ns, 0
        self.free_ns, self._rem = self._pitch.after(octets, self.free_ns, self._rem)
        return max(0, late_ns)

    def set_free(self, ns: int) -> None:
        """The line is known to be free at an instant, whatever was reckoned."""
        self.free_ns, self._rem = ns, 0
        if self.first_ns is None:
            self.first_ns = ns
