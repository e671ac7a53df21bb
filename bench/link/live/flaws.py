"""What a transport cannot send is refused before anything is.

Breaks, and characters with something wrong on purpose or with a ninth bit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.columns import Flaw
from bench.base.errors import Fault, LinkError
from bench.link.ports.base import PutsFlaws

if TYPE_CHECKING:
    from bench.base.columns import Line
    from bench.link.transport import Transport

_WHAT = {
    Flaw.FRAMING: "characters without a stop bit",
    Flaw.PARITY: "characters with a wrong parity bit",
    Flaw.BREAK: "breaks",
    Flaw.ADDRESS: "characters whose ninth bit is set",
}


def refuse_flaws(line: Line, transport: Transport) -> None:
    """Raise if a chunk holds what a transport cannot send.

    Raises:
        LinkError: If it does.
    """
    for kind in sorted({int(kind) for kind in line.flaws["kind"]}):
        if not sends(transport, Flaw(kind)):
            raise cannot(transport, Flaw(kind))


def sends(transport: Transport, flaw: Flaw) -> bool:
    """Whether a transport can send a kind of flaw."""
    can, puts = transport.can, isinstance(transport, PutsFlaws)
    if flaw == Flaw.BREAK:
        return can.breaks
    if flaw == Flaw.ADDRESS:
        return can.ninth_bit and puts
    return flaw == Flaw.PARITY and puts


def cannot(transport: Transport, flaw: Flaw) -> LinkError:
    """The error that says so."""
    mend = "take a serial port, or the loop, or another framing"
    what = f"this link cannot send {_WHAT[flaw]}"
    return LinkError(Fault(what, transport.name, mend=mend))
