"""Rigs: every transport with something at its other end."""

from __future__ import annotations

import os
import select
import signal
import socket
import tty

from links.contract import Echoing, Rig
from links.port_server import PortServer, listener

from bench.base.clock import SystemClock
from bench.link.ports import make_transport
from bench.profile.model import Bus

BUS = Bus(baud=4_000_000)


class Descriptor:
    """A far end that is a descriptor of this process."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        os.set_blocking(fd, False)

    def take(self) -> bytes:
        """See `Far`."""
        try:
            return os.read(self.fd, 1 << 16)
        except BlockingIOError:
            return b""

    def give(self, octets: bytes) -> None:
        """See `Far`."""
        assert os.write(self.fd, octets) == len(octets)

    def lose(self) -> None:
        """See `Far`."""
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1


class Datagrams:
    """A far end that is a datagram socket."""

    def __init__(self) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.socket.setblocking(False)
        self._peer: tuple[str, int] | None = None

    @property
    def port(self) -> int:
        """Where it listens."""
        return self.socket.getsockname()[1]

    def take(self) -> bytes:
        """See `Far`."""
        try:
            octets, self._peer = self.socket.recvfrom(1 << 16)
        except BlockingIOError:
            return b""
        return octets

    def give(self, octets: bytes) -> None:
        """See `Far`."""
        assert self._peer is not None
        self.socket.sendto(octets, self._peer)

    def lose(self) -> None:
        """See `Far`."""
        self.socket.close()


class Stream:
    """A far end that is an accepted TCP connection."""

    def __init__(self, connection: socket.socket) -> None:
        self.socket = connection
        connection.setblocking(False)

    def take(self) -> bytes:
        """See `Far`."""
        try:
            return self.socket.recv(1 << 16)
        except BlockingIOError:
            return b""

    def give(self, octets: bytes) -> None:
        """See `Far`."""
        self.socket.sendall(octets)

    def lose(self) -> None:
        """See `Far`."""
        self.socket.close()


def loop() -> Rig:
    """The loop in the process."""
    clock = SystemClock()
    transport = make_transport("loop", BUS, clock)
    far = Echoing(transport, transport.unplug)
    return Rig(transport, far, clock, close=transport.close)


def loop_url() -> Rig:
    """The loop of pyserial."""
    clock = SystemClock()
    transport = make_transport("loop://", BUS, clock)
    far = Echoing(transport, lambda: None)
    return Rig(transport, far, clock, loses=False, close=transport.close)


def port_on_pty() -> Rig:
    """The serial port class, on the slave end of a pty; the master is the far end."""
    clock = SystemClock()
    master, slave = os.openpty()
    transport = make_transport(os.ttyname(slave), BUS, clock)
    os.close(slave)
    far = Descriptor(master)

    def close() -> None:
        transport.close()
        far.lose()

    return Rig(transport, far, clock, close=close)


def pty() -> Rig:
    """The bench's end of a pty; the other end is opened raw."""
    clock = SystemClock()
    transport = make_transport("pty", BUS, clock)
    far = Descriptor(os.open(transport.path, os.O_RDWR | os.O_NOCTTY))
    tty.setraw(far.fd)

    def close() -> None:
        transport.close()
        far.lose()

    return Rig(transport, far, clock, close=close)


def socket_url() -> Rig:
    """A TCP connection."""
    clock = SystemClock()
    with listener() as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        transport = make_transport(url, BUS, clock)
        far = Stream(server.accept()[0])

    def close() -> None:
        transport.close()
        far.lose()

    return Rig(transport, far, clock, close=close)


def udp() -> Rig:
    """Datagrams on the loopback address."""
    clock, far = SystemClock(), Datagrams()
    transport = make_transport(f"udp:127.0.0.1:{far.port}", BUS, clock)
    transport.write(memoryview(b"hello"))  # so that the far end knows whom to answer
    select.select([far.socket], [], [], 1)
    assert far.take() == b"hello"
    transport._accepted = 0

    def close() -> None:
        transport.close()
        far.lose()

    return Rig(transport, far, clock, holds=False, silent=True, close=close)


def child() -> Rig:
    """A program that gives back what it is given."""
    clock = SystemClock()
    transport = make_transport("child:cat", BUS, clock)
    far = Echoing(
        transport, lambda: os.kill(transport.told().facts["process"], signal.SIGKILL)
    )
    return Rig(transport, far, clock, close=transport.close)


def rfc2217_url() -> Rig:
    """A port server of pyserial's own, in front of its loop."""
    clock, server = SystemClock(), listener()
    served = PortServer(server)
    served.start()
    url = f"rfc2217://127.0.0.1:{server.getsockname()[1]}"
    transport = make_transport(url, BUS, clock)
    far = Echoing(transport, served.stop)

    def close() -> None:
        transport.close()
        served.stop()
        served.join(3)
        server.close()

    return Rig(transport, far, clock, holds=False, close=close)


RIGS = {
    "loop": loop,
    "loop-url": loop_url,
    "port-on-pty": port_on_pty,
    "pty": pty,
    "socket-url": socket_url,
    "rfc2217-url": rfc2217_url,
    "udp": udp,
    "child": child,
}
