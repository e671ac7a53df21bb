"""One packet a datagram, for boards that are fed from Ethernet.

What is written at once arrives at once or not at all: a network may lose, double and
reorder datagrams, and says nothing of it.  Only this host is spoken to unless other
hosts are allowed by name.
"""

from __future__ import annotations

import ipaddress
import socket
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, LinkError, UsageError
from bench.link.ports.base import BaseTransport, said
from bench.link.ports.system.descriptors import await_ready
from bench.link.transport import Can, Heard

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.base.clock import Clock

MOST_OCTETS = 65_507
"""Payload of a UDP datagram over IPv4: 65,535 less both headers."""

UNCUT_OCTETS = 1_472
"""More does not fit an Ethernet frame (1,500 less both headers) and is cut in pieces,
of which the loss of one loses all."""


class UdpTransport(BaseTransport):
    """Datagrams to one host and port, and back.

    Args:
        host: A name or an address.
        port: Its port.
        clock: Whom to ask for the time.
        away: Whether the host may be another one.

    Raises:
        UsageError: If it is another host and `away` is not set.
        LinkError: If there is no such host.
    """

    can = Can(keeps_packets=True)

    def __init__(
        self, host: str, port: int, clock: Clock, *, away: bool = False
    ) -> None:
        super().__init__(f"udp:{host}:{port}", clock)
        family, address = _resolve(host, port)
        self._here = ipaddress.ip_address(address[0].split("%")[0]).is_loopback
        if not self._here and not away:
            raise UsageError(
                Fault(
                    "another host is not spoken to unless told",
                    f"{host} ({address[0]})",
                    "a loopback address",
                    mend="give the option away=on",
                )
            )
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        try:
            self._socket.setblocking(False)
            self._socket.connect(address)
        except OSError as error:
            self._socket.close()
            raise LinkError(
                Fault("cannot reach", f"{self._name} ({said(error)})")
            ) from error
        self._address = address
        self._datagrams = 0

    def _write(self, octets: memoryview) -> int:
        if len(octets) > MOST_OCTETS:
            raise LinkError(
                Fault(
                    "a packet does not fit a datagram",
                    f"{len(octets)} octets",
                    f"at most {MOST_OCTETS}",
                )
            )
        if len(octets) > UNCUT_OCTETS and not self._here:
            self._note(
                f"datagrams above {UNCUT_OCTETS} octets travel in pieces: one piece "
                "lost loses the packet"
            )
        try:
            sent = self._socket.send(octets)
        except (BlockingIOError, InterruptedError):
            return 0
        self._datagrams += 1
        return sent

    def _read(self) -> Heard | None:
        try:
            octets = self._socket.recv(MOST_OCTETS)
        except (BlockingIOError, InterruptedError):
            return None
        # An empty datagram is one all the same, but nothing that a line could carry.
        return Heard(octets, self._clock.now_ns()) if octets else None

    def _wait(self, seconds: float, room: bool) -> None:
        fd = self._socket.fileno()
        await_ready(seconds, [fd], [fd] if room else [])

    def _unsent(self) -> None:
        number = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if number:
            raise OSError(number, "nobody takes datagrams there")

    def _close(self, *, lost: bool) -> None:  # noqa: ARG002
        self._socket.close()

    def _facts(self) -> Mapping[str, Any]:
        return {
            "kind": "udp",
            "to": f"{self._address[0]} port {self._address[1]}",
            "this_host": self._here,
        }

    def _counts(self) -> Mapping[str, int | None]:
        return {"datagrams": self._datagrams, "datagrams_lost": None}


def _resolve(host: str, port: int) -> tuple[int, tuple[Any, ...]]:
    """Address family and address of a host."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
    except OSError as error:
        fault = Fault("no such host", f"{host} ({said(error)})")
        raise LinkError(fault) from error
    family, _, _, _, address = found[0]
    return int(family), tuple(address)
