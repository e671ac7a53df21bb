"""Random packet formats, random streams for them, random cuts of a stream.

Everything is drawn from a `random.Random`, so that a seed gives thousands of streams
quickly and hypothesis, which has such an object of its own, can shrink one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.wire.checks import Check
from bench.wire.decoder import Begun, Decoder, Packet
from bench.wire.format import (
    END,
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

if TYPE_CHECKING:
    from collections.abc import Iterable
    from random import Random

    from bench.wire.decoder import Event

POLICIES = ("forward", "timeout", "rescan")
FRAMINGS = ("marker", "cobs", "slip", "hdlc", "silence", "break", "ninth-bit")

SLIP = Unstuffing(Stuffing.ESCAPE, 0xDB, ((0xDC, 0xC0), (0xDD, 0xDB)))
HDLC = Unstuffing(Stuffing.FLIP, 0x7D, (), (0x7D, 0x7E))
_WIRE = {
    "cobs": (Delimiter.OCTET, b"\x00", Unstuffing(Stuffing.COBS)),
    "slip": (Delimiter.OCTET, b"\xc0", SLIP),
    "hdlc": (Delimiter.OCTET, b"\x7e", HDLC),
    "silence": (Delimiter.SILENCE, b"", Unstuffing()),
    "break": (Delimiter.BREAK, b"", Unstuffing()),
    "ninth-bit": (Delimiter.NINTH, b"", Unstuffing()),
}
_MARKERS = (b"\xa5", b"\xa5\x5a", b"\xa5\xa5", b"\xa5\xa5\x5a", b"\x00\xa5", b"\x01")
_CHECKS = ("none", "sum-8", "lrc-8", "xor-8", "CRC-8/SMBUS", "CRC-16/MODBUS")
PAUSE_NS, SILENCE_NS = 100, 300


def random_format(random: Random, framing: str) -> Format:
    """A small format of a framing, every kind of field now and then."""
    marker = random.choice(_MARKERS) if framing == "marker" else b""
    least = random.randint(0, 3)
    most = least if random.random() < 0.3 else least + random.randint(0, 5)
    fields = _Fields(random, len(marker))
    parts = ["literal", "address", "sequence"]
    random.shuffle(parts)
    head = [part for part in parts if random.random() < 0.5]
    tail = [part for part in parts if part not in head and random.random() < 0.2]
    if random.random() < 0.7 or (framing == "marker" and least < most):
        head.insert(random.randint(0, len(head)), "length")
    if not head and not marker and most == 0:
        head = ["address"]
    check = Check.named(random.choice(_CHECKS))
    if check.size and random.random() < 0.2:
        head.append("check")
    fields.place_head(head, check.size)
    fields.place_tail(tail, 0 if "check" in head else check.size)
    layout = fields.layout(least, most, check)
    if framing == "marker":
        kind, octets, unstuffing = Delimiter.MARKER, marker, Unstuffing()
    else:
        kind, octets, unstuffing = _WIRE[framing]
    delimiting = Delimiting(
        kind,
        octets,
        leading=kind == Delimiter.OCTET and random.random() < 0.5,
        silence_ns=SILENCE_NS if random.random() < 0.8 else None,
        pause_ns=PAUSE_NS if random.random() < 0.7 else None,
        reject_flaws=random.random() < 0.7,
    )
    return Format(delimiting, unstuffing, layout)


class _Fields:
    """Fields put one after another, before and after a payload."""

    def __init__(self, random: Random, marker: int) -> None:
        self.random = random
        self.numbers: dict[str, Number] = {}
        self.literals: list[tuple[int, bytes]] = []
        self.marker = self.head = marker
        self.tail = 0
        self.check_at = 0
        self.covered = (0, END)

    def place_head(self, parts: list[str], check: int) -> None:
        for part in parts:
            if part == "check":  # the head before it, or all that follows it
                self.check_at = self.head
                self.head += check
                after = (self.head, END)
                self.covered = self.random.choice(((0, self.check_at), after))
                if self.check_at == 0:
                    self.covered = after
            else:
                self.head += self._place(part, self.head)

    def place_tail(self, parts: list[str], check: int) -> None:
        sizes = [self.random.randint(1, 2) for _ in parts]
        self.tail = sum(sizes) + check
        at = -self.tail
        for part, size in zip(parts, sizes, strict=True):
            self._place(part, at, size)
            at += size
        if check:
            self.check_at = at
            ends = (-self.tail, at)
            start = self.random.randint(0, self.head)
            self.covered = (start, self.random.choice(ends))

    def _place(self, part: str, at: int, size: int | None = None) -> int:
        size = size or self.random.randint(1, 2)
        order = self.random.choice(("big", "little"))
        if part == "literal":
            self.literals.append((at, bytes([0x5A, 0x01][:size])))
        else:
            self.numbers[part] = Number(at, size, order)
        return size

    def layout(self, least: int, most: int, check: Check) -> Layout:
        order = self.random.choice(("big", "little"))
        field = Number(self.check_at, check.size, order)
        rule = CheckRule(check, field, *self.covered)
        address = self.numbers.get("address")
        return Layout(
            self.head,
            self.tail,
            least,
            most,
            tuple(self.literals),
            address,
            address.most if address else 0,
            (),
            self.numbers.get("sequence"),
            self.numbers.get("length"),
            self.random.choice((0, 0, 1, self.head)),
            rule if check.size or self.random.random() < 0.5 else None,
        )


# --- streams --------------------------------------------------------------------------

Input = tuple  # ("octets", bytes), ("flaw", octet, kind) or ("gap", ns)


def random_packet(random: Random, packet: Format) -> bytes:
    """One packet, unstuffed; now and then with a spoilt check."""
    layout = packet.layout
    address = None if layout.address is None else random.choice((0, 1, 0x5A, 0xA5))
    payload = bytes(
        random.choice((0, 1, 0x5A, 0xA5, 0xC0, 0xDB, 0x7D, 0x7E, random.randrange(256)))
        for _ in range(random.randint(layout.least, layout.most))
    )
    return build(
        packet,
        address=address,
        payload=payload,
        sequence=random.randrange(256),
        check_xor=int(random.random() < 0.1),
    )


def random_stream(random: Random, packet: Format, pieces: int) -> list[Input]:
    """Packets whole, cut and spoilt, rubbish of likely octets, flaws and gaps."""
    rule = packet.delimiting
    likely = bytes([0, 1, 2, 5, 0x5A, 0xA5, 0xC0, 0xDB, 0xDC, 0x7D, 0x7E, 0xFF])
    likely += rule.octets * 3
    inputs: list[Input] = []
    for _ in range(pieces):
        what = random.random()
        if what < 0.55:
            inputs += _sent(random, packet)
        elif what < 0.7:
            inputs.append(
                ("octets", bytes(random.choices(likely, k=random.randint(1, 9))))
            )
        elif what < 0.8:
            inputs.append(("flaw", random.choice(likely), random.choice((1, 2))))
        elif what < 0.85:
            inputs.append(random.choice((("flaw", 0, 3), _marked(random, likely))))
        else:
            inputs.append(("gap", random.choice((1, 100, 101, 299, 300, 5000))))
    return inputs


def _marked(random: Random, likely: bytes) -> Input:
    """An octet with a set ninth bit."""
    return ("flaw", random.choice(likely), 4)


def marked_first(inputs: Iterable[Input]) -> list[Input]:
    """The same input, its first octet with a set ninth bit."""
    out = [given for given in inputs if given != ("octets", b"")]
    if out and out[0][0] == "octets":
        out[:1] = [("flaw", out[0][1][0], 4), ("octets", out[0][1][1:])]
    return out


def _sent(random: Random, packet: Format) -> list[Input]:
    """One packet as it comes, or some of it; now and then nothing begins it."""
    inputs = _spoilt(random, packet)
    if packet.marks_first and random.random() < 0.9:
        return marked_first(inputs)
    return inputs


def _spoilt(random: Random, packet: Format) -> list[Input]:
    """One packet, whole or not."""
    octets = encode(packet, random_packet(random, packet))
    before: list[Input] = []
    after: list[Input] = []
    if packet.delimiting.kind == Delimiter.BREAK and random.random() < 0.9:
        before = [("flaw", 0, 3)]
    if packet.delimiting.kind == Delimiter.SILENCE and random.random() < 0.9:
        after = [("gap", SILENCE_NS)]
    if random.random() < 0.15:
        octets = octets[: random.randint(0, len(octets))]
    if octets and random.random() < 0.15:
        at = random.randrange(len(octets))
        spoilt = random.choice(
            (
                [("octets", bytes([random.randrange(256)]))],
                [("flaw", octets[at], 1)],
                [("flaw", octets[at], 4)],
                [("flaw", 0, 3)],
                [("gap", PAUSE_NS + 1)],
                [],
            )
        )
        middle = [("octets", octets[:at]), *spoilt, ("octets", octets[at + 1 :])]
        return [*before, *middle, *after]
    return [*before, ("octets", octets), *after]


def single(inputs: Iterable[Input]) -> list[Input]:
    """The same input, one octet at a time."""
    out: list[Input] = []
    for given in inputs:
        if given[0] == "octets":
            out += [("octets", bytes([octet])) for octet in given[1]]
        else:
            out.append(given)
    return out


def cut(random: Random, inputs: Iterable[Input]) -> list[Input]:
    """The same input in other pieces."""
    out: list[Input] = []
    for given in single(inputs):
        joins = out and out[-1][0] == given[0] == "octets" and random.random() < 0.6
        if joins:
            out[-1] = ("octets", out[-1][1] + given[1])
        else:
            out.append(given)
    return out


def joined(inputs: Iterable[Input]) -> list[Input]:
    """The same input in as few pieces as can be."""
    out: list[Input] = []
    for given in inputs:
        if out and out[-1][0] == given[0] == "octets":
            out[-1] = ("octets", out[-1][1] + given[1])
        else:
            out.append(given)
    return out


# --- decoding -------------------------------------------------------------------------


def feed(decoder: Decoder, given: Input) -> None:
    """Give one piece of input to a decoder."""
    what, *values = given
    if what == "octets":
        decoder.octets(*values)
    elif what == "flaw":
        decoder.flaw(*values)
    else:
        decoder.gap(*values)


def decoded(
    packet: Format,
    resync: str,
    inputs: Iterable[Input],
    ask: bool = True,
) -> list[Event]:
    """All events; asked for after each piece, or only at the end."""
    decoder = Decoder(packet, resync)
    events: list[Event] = []
    for given in inputs:
        feed(decoder, given)
        if ask:
            events += decoder.events()
    decoder.finish()
    return [*events, *decoder.events()]


def plain(events: Iterable[Event]) -> list[tuple]:
    """Events as tuples, as the plain decoder lists them."""
    rows: list[tuple] = []
    for event in events:
        if isinstance(event, Begun):
            rows.append(("begun", event.at))
        elif isinstance(event, Packet):
            values = (event.raw, event.payload, event.address, event.sequence)
            rows.append(("packet", event.at, event.end, *values))
        else:
            name = event.reason.name
            rows.append(("rejected", event.at, event.end, name, event.address))
    return rows
