"""A port by what pyserial has on every system, and the URLs that are no descriptor.

Each kind has its own quirks, and counts stay exact in spite of them:

* `loop://` takes octets one by one and throws when it is full: pieces stay below its
  free space, and its out-count, which is its in-count, is never asked;
* `rfc2217://` sends a piece whole or loses the connection, and hands octets out one by
  one: pieces are small and only sent while its socket takes more;
* a port of a system without descriptors does not tell what a write that was cut short
  had sent: a piece follows when the one before has left.  So the line may idle
  between pieces, and that is noted.
"""

from __future__ import annotations

import contextlib
import queue
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, LinkError
from bench.base.grid import NS_PER_S
from bench.link.ports.base import FOREIGN, BaseTransport
from bench.link.ports.line.opening import is_native, letters, open_port
from bench.link.ports.options import PortOptions
from bench.link.ports.system.descriptors import MOST_READ
from bench.link.transport import Can, Heard

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from typing import Literal

    from bench.base.clock import Clock
    from bench.profile.model import Bus

SLICE_S = 0.001
"""How often is looked where nothing can be waited on."""

EMPTY_S = 2.0
"""How long a break waits for what was sent before: one piece at 9600 baud takes 1.1 s,
and there is never more."""

PIECE = 1024
"""Octets of one piece where a piece goes whole or not at all."""


class PlainTransport(BaseTransport):
    """A port or URL.

    Args:
        name: Its name or URL.
        bus: Speed and character.
        clock: Whom to ask for the time.
        options: How it is to be held.
        opener: Opens it; another one for tests.

    Attributes:
        switch: See `SwitchesLines`; it is there where modem lines can lie behind it.

    Raises:
        LinkError: If it cannot be had.
    """

    switch: Callable[..., None]

    def __init__(
        self,
        name: str,
        bus: Bus,
        clock: Clock,
        options: PortOptions | None = None,
        *,
        opener: Callable[..., Any] = open_port,
    ) -> None:
        super().__init__(name, clock)
        self._bus, self._options = bus, options or PortOptions()
        self._pulled = bytearray()
        self._port = opener(name, bus, self._options, bus.baud)
        self._loops = name.lower().startswith("loop:")
        self._native = "://" not in name or is_native(self._port)
        self._remote = not self._loops and not self._native
        keeps = name.lower().startswith("rfc2217:")
        if self._options.rs485 is not None:
            self._port.close()
            raise LinkError(
                Fault(
                    "RS-485 direction cannot be set there",
                    name,
                    mend="leave the rs485 options out",
                )
            )
        if self._native:
            self._port.write_timeout = 0
            self._note(
                "this system does not tell how much of a write it took: pieces go one "
                "by one, and the line may idle between them"
            )
        self.can = Can(
            keeps_baud=self._native or keeps,
            breaks=self._native or keeps,
            tells_unsent=self._native,
        )
        if self._native or keeps:
            self.switch = self._switch

    def _write(self, octets: memoryview) -> int:
        if self._remote:
            self._pull()
        with _pyserial():
            piece = bytes(octets[: self._room()])
            if not piece:
                return 0
            before = self._port.in_waiting if self._loops else 0
            try:
                return int(self._port.write(piece))
            except queue.Full:  # filled by somebody else meanwhile
                return int(self._port.in_waiting) - before

    def _room(self) -> int:
        """Octets that a piece may have now."""
        port = self._port
        if self._loops:
            return max(0, int(port.buffer_size) - int(port.in_waiting))
        if self._native:
            return 0 if port.out_waiting else PIECE
        return PIECE if _takes_more(port) else 0

    def _read(self) -> Heard | None:
        try:
            self._pull()
        except FOREIGN:
            if not self._pulled:
                raise
        if not self._pulled:
            return None
        heard = Heard(bytes(self._pulled), self._clock.now_ns())
        self._pulled.clear()
        return heard

    def _pull(self) -> None:
        """Take over what waits; notices that the far end closed, which asking does not.

        Raises:
            OSError: If it has.
        """
        with _pyserial():
            # At least one read, whatever is said to wait.
            for _ in range(max(1, min(int(self._port.in_waiting), MOST_READ))):
                got = self._port.read(MOST_READ)
                self._pulled += got
                if not got:
                    break

    def _wait(self, seconds: float, room: bool) -> None:
        deadline_ns = self._clock.now_ns() + round(seconds * NS_PER_S)
        with _pyserial():
            while not self._waiting() and not (room and self._room()):
                left_ns = deadline_ns - self._clock.now_ns()
                if left_ns <= 0:
                    return
                self._clock.sleep(min(SLICE_S, left_ns / NS_PER_S))

    def _waiting(self) -> bool:
        return bool(self._pulled or self._port.in_waiting)

    def _unsent(self) -> int | None:
        with _pyserial():
            if self._native:
                return int(self._port.out_waiting)
        if self._remote:
            self._pull()
        return None

    def _switch(self, line: Literal["dtr", "rts"], *, on: bool) -> None:
        """See `SwitchesLines`."""
        if self._remote:
            self._note("a modem line behind a server is switched when its answer came")
        with self._border, _pyserial():
            setattr(self._port, line, on)

    def _hold_low(self, ns: int) -> int:
        if not self.can.breaks:
            return super()._hold_low(ns)
        clock, port = self._clock, self._port
        self._empty()
        with _pyserial():
            begun_ns = clock.now_ns()
            port.break_condition = True
            try:
                clock.sleep(ns / NS_PER_S)
            finally:
                port.break_condition = False
        return clock.now_ns() - begun_ns

    def _empty(self) -> None:
        """Wait, bounded, until what was sent before a break has left."""
        if self._remote:
            self._note(
                "whether the far server had sent everything before a break is not "
                "observable, and its answers make a break tens of ms long"
            )
            return
        deadline_ns = self._clock.now_ns() + round(EMPTY_S * NS_PER_S)
        with _pyserial():
            while self._port.out_waiting:
                if self._clock.now_ns() >= deadline_ns:
                    raise LinkError(
                        Fault(
                            "no break: what was sent before does not leave the port",
                            self._name,
                            mend="is the line held off, or the adapter stuck?",
                        )
                    )
                self._clock.sleep(SLICE_S)

    def _close(self, *, lost: bool) -> None:  # noqa: ARG002
        # pyserial forgets to close a socket that it cannot shut down any more.
        socket = getattr(self._port, "_socket", None)
        try:
            with _pyserial():
                self._port.close()
        finally:
            if socket is not None:
                socket.close()

    def _facts(self) -> Mapping[str, Any]:
        return {
            "kind": "serial port" if self._native else "url",
            "port": self._name,
            "baud_asked": self._bus.baud,
            "baud_got": None,
            "character": letters(self._bus),
        }

    def _counts(self) -> Mapping[str, int | None]:
        return dict.fromkeys(("framing", "parity", "overrun", "breaks"))


@contextlib.contextmanager
def _pyserial() -> Iterator[None]:
    """What pyserial throws beside its own errors once its port has gone."""
    try:
        yield
    except (TypeError, ValueError, AttributeError) as error:
        raise EOFError(f"the port has gone: {error}") from error


def _takes_more(port: Any) -> bool:
    """Whether the socket behind a URL takes more now; True where none can be asked."""
    socket = getattr(port, "_socket", None)
    if socket is None:
        return True
    ready: list[int] = []
    with contextlib.suppress(OSError, ValueError):
        import select

        ready = select.select([], [socket.fileno()], [], 0)[1]
    return bool(ready)
