"""Transports by name.

loop                 a loop in the process
pty, pty:PATH        the bench makes one; PATH is a link to its other end
udp:HOST:PORT        one packet a datagram
child:COMMAND        a program on pipes
anything else        a port's name, or a URL: socket://, rfc2217://, loop://
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.errors import Fault, LinkError, UsageError
from bench.link.ports.base import optional
from bench.link.ports.options import PortOptions

if TYPE_CHECKING:
    from bench.base.clock import Clock
    from bench.link.transport import Transport
    from bench.profile.model import Bus


def make_transport(
    name: str, bus: Bus, clock: Clock, options: PortOptions | None = None
) -> Transport:
    """Make a transport and open it.

    Args:
        name: What kind, and which.
        bus: Speed and character, where there is something to set.
        clock: Whom the transport asks for the time.
        options: How a port is to be held.

    Raises:
        UsageError: If the name or an option means nothing.
        LinkError: If it cannot be had.
    """
    options = options or PortOptions()
    kind, colon, rest = name.partition(":")
    if name == "loop":
        from bench.link.ports.loop import LoopTransport

        return LoopTransport(clock)
    if kind == "pty":
        from bench.link.ports.pseudo import PtyTransport

        return PtyTransport(clock, rest)
    if kind == "udp" and colon:
        from bench.link.ports.datagram import UdpTransport

        host, port = _host_and_port(name, rest)
        return UdpTransport(host, port, clock, away=options.away)
    if kind == "child" and colon:
        from bench.link.ports.child import ChildTransport

        return ChildTransport(rest, clock)
    return _port(name, bus, clock, options)


def _port(name: str, bus: Bus, clock: Clock, options: PortOptions) -> Transport:
    """A port's name or a URL."""
    if name.lower().startswith("socket:"):
        from bench.link.ports.line.sockets import SocketTransport

        return SocketTransport(name, clock)
    if optional("serial") is None:
        raise LinkError(
            Fault("pyserial is not here", name, mend="pip install pyserial")
        )
    from bench.link.ports.line.opening import closed_port, is_native
    from bench.link.ports.line.plain import PlainTransport

    if optional("termios") is None or not is_native(closed_port(name)):
        return PlainTransport(name, bus, clock, options)
    from bench.link.ports.line.tty import TtyTransport

    return TtyTransport(name, bus, clock, options)


def _host_and_port(name: str, rest: str) -> tuple[str, int]:
    """HOST:PORT; an IPv6 address in brackets."""
    host, _, port = rest.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise UsageError(Fault("not a host and a port", name, "udp:HOST:PORT"))
    return host, int(port)
