"""A TCP port that other programs connect to, one after another.

It listens on the loopback address unless another one is named.  Who connects while
somebody else is there is turned away at once.  A connection whose sender has said that
he is done is over.
"""

from __future__ import annotations

import select
import socket
from contextlib import suppress

from bench.base.errors import Fault, UsageError

LOOPBACK = "127.0.0.1"
"""Reached from this machine only."""

_MOST_READ = 1 << 16


class FarTcp:
    """The far side of a TCP connection.

    Attributes:
        where: What others open, as a pyserial URL.
        open: Whether somebody is connected.
        openings: How often somebody connected.
        turned_away: How many were turned away.
    """

    def __init__(self, port: int, host: str = LOOPBACK) -> None:
        """Listen.

        Args:
            port: The port; 0 for one that is free.
            host: The address.

        Raises:
            UsageError: If it cannot be listened on.
        """
        self.open = False
        self.openings = 0
        self.turned_away = 0
        self._peer: socket.socket | None = None
        try:
            family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
            self._listener = socket.create_server((host, port), family=family)
        except OSError as error:
            what = error.strerror or str(error)
            fault = Fault(f"cannot listen: {what}", f"{host}:{port}", where="--tcp")
            raise UsageError(fault) from error
        self._listener.setblocking(False)
        bound = self._listener.getsockname()[1]
        shown = f"[{host}]" if ":" in host else host
        self.where = f"socket://{shown}:{bound}"

    def wait(self, seconds: float, *, hear: bool, tell: bool) -> None:
        """See `bench.trial.serve.run.Far`."""
        peer = self._peer
        reads = [self._listener] + ([peer] if peer is not None and hear else [])
        writes = [peer] if peer is not None and tell else []
        ready, _, _ = select.select(reads, writes, [], seconds)
        if self._listener in ready:
            self._accept()

    def read(self, most: int) -> bytes:
        """See `bench.trial.serve.run.Far`."""
        if self._peer is None:
            return b""
        try:
            octets = self._peer.recv(min(most, _MOST_READ))
        except BlockingIOError:
            return b""
        except OSError:
            octets = b""  # however he went, he is gone
        if not octets:
            self._gone()
        return octets

    def write(self, octets: bytes) -> int:
        """See `bench.trial.serve.run.Far`."""
        if self._peer is None:
            return 0
        try:
            return self._peer.send(octets)
        except OSError:
            return 0  # no room, or gone: the next read says which

    def close(self) -> None:
        """Listen no more."""
        self._gone()
        self._listener.close()

    def _accept(self) -> None:
        try:
            peer, _ = self._listener.accept()
        except OSError:
            return  # he has changed his mind
        if self._peer is not None:
            self.turned_away += 1
            peer.close()
            return
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._peer = peer
        self.open = True
        self.openings += 1

    def _gone(self) -> None:
        self.open = False
        if self._peer is not None:
            with suppress(OSError):
                self._peer.close()
            self._peer = None
