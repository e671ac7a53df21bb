"""An adapter of a stub: a queue, a bit clock, a line that joins its ends, a timer.

Everything happens in the time of a clock that jumps.  What the adapter does to octets
and to their times is worked out here from what was accepted when, and from nothing of
the bench.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.base.errors import Fault, LinkError
from bench.link.transport import Can, Heard, Told

if TYPE_CHECKING:
    from collections.abc import Callable

NS_PER_S = 10**9


class CoarseClock:
    """A clock whose sleep wakes on a grid only, as a coarse system timer does."""

    def __init__(self, grid_ns: int) -> None:
        self.t = 0
        self._grid_ns = grid_ns

    def now_ns(self) -> int:
        """See `Clock`."""
        return self.t

    def sleep(self, seconds: float) -> None:
        """See `Clock`: until the next line of the grid."""
        if seconds > 0:
            target = self.t + round(seconds * NS_PER_S)
            self.t = -(-target // self._grid_ns) * self._grid_ns


@dataclass
class StubAdapter:
    """A transport whose ends are joined by a plug.

    Attributes:
        clock: Whose time it lives in.
        baud: Of its bit clock, which may be off what was asked for.
        timer_ns: Octets are handed over at multiples of this; 0: as they come.
        harm: What becomes of each octet on its way, by its place: itself, another, or
            none.
        room: Octets that its queue holds.
        rest: Every so many octets it rests for as many nanoseconds: (octets, ns).
        plugged: Whether what is sent comes back at all.
        lost_at_ns: When it is pulled out; None: never.
    """

    clock: object
    baud: float = 1_000_000
    timer_ns: int = 0
    harm: Callable[[int, int], bytes] | None = None
    room: int = 2048
    rest: tuple[int, int] = (0, 0)
    plugged: bool = True
    lost_at_ns: int | None = None
    keeps_baud: bool = True
    noise: bytes = b""
    name: str = "stub"
    written: int = 0
    closed: bool = False
    _coming: deque[tuple[float, bytes]] = field(default_factory=deque)
    _leaving: deque[float] = field(default_factory=deque)
    _free_ns: float = 0.0

    @property
    def can(self) -> Can:
        """See `Transport`."""
        return Can(keeps_baud=self.keeps_baud, tells_unsent=True)

    def _check(self) -> int:
        now = self.clock.now_ns()
        if self.lost_at_ns is not None and now >= self.lost_at_ns:
            raise LinkError(Fault("link lost", "stub (pulled out)"))
        return now

    def write(self, octets: memoryview) -> int:
        """See `Transport`."""
        now = self._check()
        while self._leaving and self._leaving[0] <= now:
            self._leaving.popleft()
        accepted = min(len(octets), self.room - len(self._leaving))
        for octet in octets[:accepted]:
            every, ns = self.rest
            if every and self.written and self.written % every == 0:
                self._free_ns += ns
            self._free_ns = max(self._free_ns, now) + 10 * NS_PER_S / self.baud
            self._leaving.append(self._free_ns)
            came = bytes([octet])
            if self.harm is not None:
                came = self.harm(self.written, octet)
            self.written += 1
            if self.plugged and came:
                self._coming.append((self._given_at(self._free_ns), came))
        return accepted

    def _given_at(self, ns: float) -> float:
        """When an octet that came at an instant is handed over."""
        if not self.timer_ns:
            return ns
        return -(-ns // self.timer_ns) * self.timer_ns

    def read(self) -> Heard | None:
        """See `Transport`."""
        now = self._check()
        came = b""
        if self.noise:
            came, self.noise = self.noise, b""
            if now == 0:  # what lay in a buffer when the port was opened
                self.noise = came
        while self._coming and self._coming[0][0] <= now:
            came += self._coming.popleft()[1]
        return Heard(came, now) if came else None

    def wait(self, seconds: float, *, room: bool) -> None:
        """See `Transport`: to what comes next, if that is sooner."""
        now = self._check()
        until = now + seconds * NS_PER_S
        if self._coming:
            until = min(until, self._coming[0][0])
        if room and self._leaving:
            until = min(until, self._leaving[0])
        self.clock.sleep(max(1, until - now + 1) / NS_PER_S)

    def unsent(self) -> int | None:
        """See `Transport`."""
        now = self._check()
        return sum(leaves > now for leaves in self._leaving)

    def hold_low(self, ns: int) -> int:
        """See `Transport`."""
        raise AssertionError(ns)

    def told(self) -> Told:
        """See `Transport`."""
        return Told({"kind": "stub"})

    def close(self) -> None:
        """See `Transport`."""
        self.closed = True
