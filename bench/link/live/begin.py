"""Before the first character: somebody has to be there, and the bus has to be quiet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.errors import Fault, LinkError
from bench.base.grid import NS_PER_S
from bench.base.units import format_count, format_ns

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.clock import Clock
    from bench.link.transport import Transport

_ATTENDED_NS = 60 * NS_PER_S
"""How long the other end of a new pty may stay unopened: somebody has to type."""

_LOOK_S = 0.02
"""How often is looked."""


def await_far_end(
    transport: Transport, clock: Clock, stop: Callable[[], int | None]
) -> None:
    """Wait until somebody opens the other end, where that is told.

    Raises:
        LinkError: If nobody does, or there is a signal by then.
    """
    until_ns = clock.now_ns() + _ATTENDED_NS
    while not getattr(transport, "attended", True):
        if stop() is not None or clock.now_ns() > until_ns:
            within = f"somebody within {format_ns(_ATTENDED_NS)}"
            raise LinkError(Fault("nobody at the far end", transport.name, within))
        clock.sleep(_LOOK_S)


def hear_nothing(transport: Transport, clock: Clock, listen_ns: int) -> None:
    """Listen for a time.

    Raises:
        LinkError: If anything was heard.
    """
    heard, until_ns = bytearray(), clock.now_ns() + listen_ns
    while (left_ns := until_ns - clock.now_ns()) > 0:
        transport.wait(min(left_ns / NS_PER_S, _LOOK_S), room=False)
        if (part := transport.read()) is not None:
            heard += part.octets
            clock.sleep(min(left_ns / NS_PER_S, _LOOK_S))
    if not heard:
        return
    what, mend = "the bus is not quiet", "stop whoever sends, or take another bus"
    value = f"{format_count(len(heard))} octets, {heard[:8].hex(' ').upper()} …"
    quiet = f"nothing heard for {format_ns(listen_ns)}"
    raise LinkError(Fault(what, value, quiet, transport.name, mend))
