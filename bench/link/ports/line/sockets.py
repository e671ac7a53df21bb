"""`socket://HOST:PORT`: octets over a TCP connection.

The connection is made here and not by a library, so that the count of every write is
exact, a close of the far end is noticed by whatever is done next, and small writes
leave at once.  What a connection that broke had taken is not known to have arrived.
"""

from __future__ import annotations

import contextlib
import socket
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from bench.base.errors import BenchError, Fault, UsageError
from bench.base.grid import NS_PER_S
from bench.link.ports.base import BaseTransport
from bench.link.ports.refusals import refused
from bench.link.ports.system.descriptors import MOST_READ, await_ready
from bench.link.transport import Heard

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.base.clock import Clock

CONNECT_S = 5.0
"""A far end that does not answer by then is not there."""

MOST_QUEUED = 65_536
"""Asked of the system for its queue: left alone it grows to megaoctets, which are on
their way for seconds after a stop."""

RETRY_S = 0.05
"""How often is tried whether a lost far end is back."""


class SocketTransport(BaseTransport):
    """A TCP connection.

    Args:
        url: `socket://HOST:PORT`.
        clock: Whom to ask for the time.

    Raises:
        UsageError: If it is no such URL.
        LinkError: If nobody answers.
    """

    def __init__(self, url: str, clock: Clock) -> None:
        super().__init__(url, clock)
        self._where = _host_and_port(url)
        self._reopened = 0
        self._connect(CONNECT_S)

    def reopen(self, seconds: float) -> bool:
        """See `Reopens`."""
        if self._closed:
            return False
        self._socket.close()
        deadline_ns = self._clock.now_ns() + round(seconds * NS_PER_S)
        while True:
            left_s = (deadline_ns - self._clock.now_ns()) / NS_PER_S
            try:
                self._connect(min(CONNECT_S, max(left_s, RETRY_S)))
            except BenchError:
                left_s = (deadline_ns - self._clock.now_ns()) / NS_PER_S
                if left_s <= 0:
                    return False
                self._clock.sleep(min(RETRY_S, left_s))
            else:
                self._found_again()
                self._reopened += 1
                return True

    def _connect(self, seconds: float) -> None:
        try:
            self._socket = socket.create_connection(self._where, seconds)
        except OSError as error:
            raise refused(self._name, error) from error
        self._socket.setblocking(False)
        # Without, a small write waits for the answer to the one before.
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, MOST_QUEUED)

    def _check(self) -> None:
        """Notice a far end that closed, which a write alone would not."""
        with contextlib.suppress(BlockingIOError, InterruptedError):
            if not self._socket.recv(1, socket.MSG_PEEK):
                raise EOFError("the far end closed")

    def _write(self, octets: memoryview) -> int:
        self._check()
        try:
            return self._socket.send(octets)
        except (BlockingIOError, InterruptedError):
            return 0

    def _read(self) -> Heard | None:
        try:
            octets = self._socket.recv(MOST_READ)
        except (BlockingIOError, InterruptedError):
            return None
        if not octets:
            raise EOFError("the far end closed")
        return Heard(octets, self._clock.now_ns())

    def _wait(self, seconds: float, room: bool) -> None:
        fd = self._socket.fileno()
        await_ready(seconds, [fd], [fd] if room else [])

    def _unsent(self) -> None:
        self._check()

    def _close(self, *, lost: bool) -> None:
        if not lost:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()

    def _facts(self) -> Mapping[str, Any]:
        return {"kind": "url", "port": self._name}

    def _counts(self) -> Mapping[str, int | None]:
        unseen = dict.fromkeys(("framing", "parity", "overrun", "breaks"))
        return {**unseen, "reopened": self._reopened}


def _host_and_port(url: str) -> tuple[str, int]:
    parts = urlsplit(url)
    try:
        host, port = parts.hostname, parts.port
    except ValueError:  # a port that is no number, or too great
        host = port = None
    if not host or port is None or parts.path not in ("", "/"):
        raise UsageError(Fault("not a socket URL", url, "socket://HOST:PORT"))
    return host, port
