"""A loop in the process: what is sent comes back, in order, at once.

Nothing keeps a bit rate here; who uses it paces it.  It holds as many octets as an
unread serial port does and then takes no more.  Breaks and line errors come back as
such, and it can be unplugged, so that everything above can be tried without hardware.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from bench.base.columns import Flaw
from bench.base.grid import NS_PER_S
from bench.link.ports.base import BaseTransport
from bench.link.transport import Can, Heard

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from bench.base.clock import Clock

MOST_UNREAD = 4096
"""Octets that it holds: a terminal's input buffer is as large on Linux."""


class LoopTransport(BaseTransport):
    """A loop.

    Args:
        clock: Whom to ask for the time.
        name: What to call it.
    """

    can = Can(breaks=True, ninth_bit=True, tells_flaws=True, tells_unsent=True)

    def __init__(self, clock: Clock, name: str = "loop") -> None:
        super().__init__(name, clock)
        self._octets = bytearray()
        self._flaws: deque[tuple[int, int]] = deque()
        self._plugged = True

    def unplug(self) -> None:
        """Lose it, as if somebody pulled the plug; what is in it is gone."""
        self._plugged = False
        self._octets.clear()
        self._flaws.clear()

    def reopen(self, seconds: float) -> bool:
        """See `Reopens`: plugs it in again, after that time."""
        if self._closed:
            return False
        self._clock.sleep(seconds)
        self._plugged = True
        self._found_again()
        return True

    def put(self, octet: int, flaw: Flaw) -> None:
        """See `PutsFlaws`; any flaw, and beyond the bound."""
        with self._border:
            self._check()
            self._flaws.append((len(self._octets), int(flaw)))
            self._octets.append(octet)
        self._accepted += 1

    def _check(self) -> None:
        if not self._plugged:
            raise EOFError("unplugged")

    def _write(self, octets: memoryview) -> int:
        self._check()
        accepted = min(len(octets), max(0, MOST_UNREAD - len(self._octets)))
        self._octets += octets[:accepted]
        return accepted

    def _read(self) -> Heard | None:
        self._check()
        if not self._octets:
            return None
        heard = Heard(bytes(self._octets), self._clock.now_ns(), tuple(self._flaws))
        self._octets.clear()
        self._flaws.clear()
        return heard

    def _wait(self, seconds: float, room: bool) -> None:
        # Nobody else moves anything meanwhile: either it is there or it will not come.
        self._check()
        if not self._octets and not (room and len(self._octets) < MOST_UNREAD):
            self._clock.sleep(seconds)

    def _unsent(self) -> int:
        self._check()
        return 0

    def _hold_low(self, ns: int) -> int:
        self._check()
        begun_ns = self._clock.now_ns()
        self._clock.sleep(ns / NS_PER_S)
        self._flaws.append((len(self._octets), int(Flaw.BREAK)))
        self._octets.append(0)
        return self._clock.now_ns() - begun_ns

    def _close(self, *, lost: bool) -> None:  # noqa: ARG002
        self._octets.clear()
        self._flaws.clear()

    def _facts(self) -> Mapping[str, Any]:
        return {"kind": "loop", "most_unread": MOST_UNREAD}

    def _counts(self) -> Mapping[str, int | None]:
        return {"unread": len(self._octets)}
