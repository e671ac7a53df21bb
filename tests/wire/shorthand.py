"""Short hand for tests of the decoder: formats, input, events.

Events are written short: "begun 3", "packet 3-11 to 17", "BAD_CHECK 3-11 to 17".
"""

from __future__ import annotations

from dataclasses import replace

from wire.streams import HDLC, SLIP

from bench.base.columns import Flaw
from bench.wire.checks import Check
from bench.wire.decoder import Begun, Event, Packet
from bench.wire.format import (
    CheckRule,
    Delimiter,
    Delimiting,
    Format,
    Layout,
    Number,
    Stuffing,
    Unstuffing,
)
from bench.wire.packets import build, encode


def made(
    kind: Delimiter, octets: bytes = b"", stuffing: Unstuffing | None = None
) -> Format:
    """[marker] address length payload(0-8) sum-8, pause 100 ns, silence 300 ns."""
    at = len(octets) if kind == Delimiter.MARKER else 0
    layout = Layout(
        head=at + 2,
        tail=1,
        least=0,
        most=8,
        literals=(),
        address=Number(at, 1, "big"),
        mask=255,
        broadcast=(),
        sequence=None,
        length=Number(at + 1, 1, "big"),
        length_adds=0,
        check=CheckRule(Check.named("sum-8"), Number(-1, 1, "big"), at, -1),
    )
    delimiting = Delimiting(kind, octets, silence_ns=300, pause_ns=100)
    return Format(delimiting, stuffing or Unstuffing(), layout)


def unsized(packet: Format) -> Format:
    """The same without a length field: the octet where it was is payload."""
    head = packet.layout.head - 1
    return replace(packet, layout=replace(packet.layout, length=None, head=head))


MARKED = made(Delimiter.MARKER, b"\xa5\x5a")
SLIPPED = made(Delimiter.OCTET, b"\xc0", SLIP)
FLAGGED = made(Delimiter.OCTET, b"\x7e", HDLC)
COUNTED = made(Delimiter.OCTET, b"\x00", Unstuffing(Stuffing.COBS))
SILENT = made(Delimiter.SILENCE)
BROKEN = made(Delimiter.BREAK)
ENDLESS = unsized(BROKEN)
NINTH = made(Delimiter.NINTH)
OPEN = unsized(NINTH)

BREAK = ("flaw", 0, Flaw.BREAK)
PAUSE, SILENCE = ("gap", 101), ("gap", 300)


def flawed(octet: int) -> tuple:
    """A framing error."""
    return ("flaw", octet, Flaw.FRAMING)


def marked(octet: int) -> tuple:
    """An octet with a set ninth bit."""
    return ("flaw", octet, Flaw.ADDRESS)


def o(*octets: str | bytes) -> tuple:
    """Octets, some of them in hex."""
    parts = [bytes.fromhex(p) if isinstance(p, str) else p for p in octets]
    return ("octets", b"".join(parts))


def sent(packet: Format, address: int, payload: bytes = b"", xor: int = 0) -> bytes:
    """One packet's octets on the line."""
    return encode(
        packet, build(packet, address=address, payload=payload, check_xor=xor)
    )


def short(events: list[Event]) -> list[str]:
    """Events as text."""
    rows = []
    for event in events:
        if isinstance(event, Begun):
            rows.append(f"begun {event.at}")
            continue
        name = "packet" if isinstance(event, Packet) else event.reason.name
        to = "" if event.address is None else f" to {event.address}"
        rows.append(f"{name} {event.at}-{event.end}{to}")
    return rows


def moved(rows: list[str], places: int) -> list[str]:
    """The same events later on the line."""
    out = []
    for row in rows:
        name, span, *rest = row.split(" ")
        span = "-".join(str(int(place) + places) for place in span.split("-"))
        out.append(" ".join([name, span, *rest]))
    return out
