"""A port as pyserial opens it: alone, raw, modem lines set first.

pyserial knows names and URLs on every system.  It is told the character and the modem
lines before it opens, since opening drives them and RTS often switches a driver.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError
from bench.link.ports.base import FOREIGN, optional
from bench.link.ports.refusals import refused

if TYPE_CHECKING:
    from bench.link.ports.options import PortOptions
    from bench.profile.model import Bus

PARITY = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}
"""pyserial's letters."""

NO_PORT: tuple[type[BaseException], ...] = (
    *FOREIGN,
    ValueError,
    TypeError,
    NotImplementedError,
)
"""What pyserial throws where a port cannot be had."""


def letters(bus: Bus) -> str:
    """The character in the trade's short form: 8N1."""
    return f"{bus.data_bits}{PARITY[bus.parity]}{bus.stop_bits:g}"


def closed_port(name: str) -> Any:
    """The object of pyserial for a name or URL, not opened.

    Raises:
        LinkError: If it knows no such kind of URL.
    """
    import serial

    try:
        return serial.serial_for_url(name, do_not_open=True)
    except NO_PORT as error:
        raise refused(name, error) from error


def is_native(port: Any) -> bool:
    """Whether it is a port of this machine and not something behind a URL."""
    import serial

    return isinstance(port, serial.Serial)


def open_port(
    name: str, bus: Bus, options: PortOptions, baud: int, *, plain: bool = False
) -> Any:
    """Open a port for this bench alone.

    Args:
        name: Name or URL.
        bus: The character.
        options: Levels of the modem lines.
        baud: Speed to open it at.
        plain: Eight bits without parity whatever the bus has: a pty refuses more.

    Raises:
        LinkError: If it does not open.
    """
    port = closed_port(name)
    try:
        if is_native(port) and optional("fcntl"):
            port.exclusive = True  # Windows opens for one owner anyway
        port.timeout = 0
        port.baudrate = baud
        if not plain:
            port.bytesize = min(bus.data_bits, 8)
            port.parity = "S" if bus.data_bits == 9 else PARITY[bus.parity]
            port.stopbits = bus.stop_bits
        if options.dtr is not None:
            port.dtr = options.dtr
        if options.rts is not None:
            port.rts = options.rts
        with warnings.catch_warnings():
            # pyserial 3.5 starts its threads by a name that is going away.
            warnings.simplefilter("ignore", DeprecationWarning)
            port.open()
    except BenchError:
        raise
    except NO_PORT as error:
        raise refused(name, error) from error
    return port


def adapter(device: str) -> str | None:
    """What the system knows of the adapter behind a port; None if nothing."""
    tools = optional("serial.tools.list_ports")
    if tools is None:
        return None
    for port in tools.comports(include_links=True):
        if port.device == device and port.description != "n/a":
            return f"{port.description} ({port.hwid})"
    return None
