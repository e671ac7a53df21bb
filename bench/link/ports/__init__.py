"""Transports: serial ports and URLs, loop, pty, datagrams, a program of the user's.

`make_transport` makes any of them by name.  All share one border (`base`) at which
whatever a system throws becomes one `LinkError`; each says what it can do and tell.
What only a POSIX system has is asked for when it is needed.
"""

from bench.link.ports.base import LinkLostError, PutsFlaws, Reopens, SwitchesLines
from bench.link.ports.names import make_transport
from bench.link.ports.options import PortOptions, Rs485

__all__ = [
    "LinkLostError",
    "PortOptions",
    "PutsFlaws",
    "Reopens",
    "Rs485",
    "SwitchesLines",
    "make_transport",
]
