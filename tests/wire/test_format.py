"""Formats from the packet section of a profile."""

from __future__ import annotations

import pytest

from bench.base.errors import BenchError
from bench.profile.model import Packet
from bench.wire.format import (
    END,
    Delimiter,
    Delimiting,
    Format,
    Number,
    Stuffing,
    Unstuffing,
    format_of,
)
from bench.wire.packets import build, fault_of


def packet_of(framing: str, *fields: dict, **keys: object) -> Format:
    """The format of a packet section, as a TOML file would hold it."""
    section = {"framing": framing, "fields": list(fields), **keys}
    return format_of(Packet.model_validate(section))


PAYLOAD = {"kind": "payload", "least": 0, "most": 64}
CRC = {"kind": "check", "algorithm": "CRC-16/MODBUS", "order": "little"}


def test_marker_fields_in_the_order_of_the_wire() -> None:
    """Places from the start up to the payload, and back from the end after it."""
    form = packet_of(
        "marker",
        {"kind": "literal", "octets": "A5 5A"},
        {"kind": "address", "size": 1, "broadcast": [255]},
        {"kind": "literal", "octets": "01"},
        {"kind": "length", "size": 2, "order": "little"},
        PAYLOAD,
        {"kind": "sequence", "size": 2},
        CRC,
        {"kind": "literal", "octets": "0D 0A"},
    )
    layout = form.layout
    assert form.delimiting == Delimiting(Delimiter.MARKER, b"\xa5\x5a")
    assert (layout.head, layout.tail, layout.shortest) == (6, 6, 12)
    assert layout.literals == ((3, b"\x01"), (-2, b"\r\n"))
    assert layout.address == Number(2, 1, "big")
    assert layout.length == Number(4, 2, "little")
    assert layout.sequence == Number(-6, 2, "big")
    assert (layout.mask, layout.broadcast) == (255, (255,))
    assert layout.check is not None
    assert layout.check.field == Number(-4, 2, "little")
    # From after the marker to before the check, unless stated.
    assert (layout.check.start, layout.check.end) == (2, -4)
    assert layout.sized


@pytest.mark.parametrize(
    ("counts", "adds"), [("payload", 0), ("after", 3), ("packet", 7)]
)
def test_what_a_length_counts(counts: str, adds: int) -> None:
    """The payload alone; what follows the field; all of the packet; plus `add`."""
    fields = [
        {"kind": "literal", "octets": "A5 5A"},
        {"kind": "length", "size": 2, "counts": counts, "add": 0},
        {"kind": "address", "size": 2},
        PAYLOAD,
        {"kind": "check", "algorithm": "sum-8"},
    ]
    form = packet_of("marker", *fields)
    assert form.layout.length_adds == adds
    octets = build(form, address=1, payload=bytes(10))
    number = int.from_bytes(octets[2:4], "big")
    counted = {"payload": 10, "after": len(octets) - 4, "packet": len(octets)}
    assert number == counted[counts]
    fields[1] = {**fields[1], "add": 5}
    assert packet_of("marker", *fields).layout.length_adds == adds + 5


@pytest.mark.parametrize(
    ("framing", "delimiter", "leading", "kind"),
    [
        ("cobs", b"\x00", False, Stuffing.COBS),
        ("slip", b"\xc0", True, Stuffing.ESCAPE),
        ("hdlc", b"\x7e", True, Stuffing.FLIP),
    ],
)
def test_stuffed_framings(
    framing: str, delimiter: bytes, leading: bool, kind: Stuffing
) -> None:
    """Their delimiter octet, and the stuffing that keeps it out of the packet."""
    form = packet_of(framing, {"kind": "address"}, PAYLOAD, CRC)
    rule = form.delimiting
    assert (rule.kind, rule.octets) == (Delimiter.OCTET, delimiter)
    assert (rule.leading, form.unstuffing.kind) == (leading, kind)
    assert not form.layout.sized
    assert form.layout.check is not None
    assert form.layout.check.start == 0


@pytest.mark.parametrize(
    ("framing", "kind"),
    [
        ("silence", Delimiter.SILENCE),
        ("break", Delimiter.BREAK),
        ("ninth-bit", Delimiter.NINTH),
    ],
)
def test_framings_without_octets(framing: str, kind: Delimiter) -> None:
    """Silence, break and mark delimit without octets; times and flaws as stated."""
    form = packet_of(
        framing,
        {"kind": "address"},
        {"kind": "payload", "octets": 12},
        CRC,
        silence="1750 us",
        pause="750 us",
        line_errors="accept",
    )
    rule = Delimiting(kind, b"", False, 1_750_000, 750_000, False)
    assert form.delimiting == rule
    assert form.unstuffing == Unstuffing()
    assert form.layout.sized
    assert form.longest_stuffed(15) == 15
    assert form.marks_first == (framing == "ninth-bit")


def test_a_check_that_covers_what_is_stated() -> None:
    """From one kind of field to another; END where the last one ends the packet."""
    check = {"kind": "check", "algorithm": "sum-8", "covers": ["address", "payload"]}
    form = packet_of("slip", {"kind": "address"}, check, PAYLOAD)
    assert form.layout.check is not None
    assert (form.layout.check.start, form.layout.check.end) == (0, END)
    check["covers"] = ["payload", "payload"]
    form = packet_of("slip", {"kind": "address"}, PAYLOAD, check)
    assert form.layout.check is not None
    assert (form.layout.check.start, form.layout.check.end) == (1, -1)
    octets = build(form, address=200, payload=b"\x01\x02")
    assert octets == bytes([200, 1, 2, 3])
    assert fault_of(form.layout, octets) is None


def test_no_check() -> None:
    """A check of kind none has no octets and never fails."""
    none = {"kind": "check", "algorithm": "none"}
    form = packet_of("slip", {"kind": "address"}, PAYLOAD, none)
    assert (form.layout.head, form.layout.tail) == (1, 0)
    assert fault_of(form.layout, b"\x01anything") is None


def test_a_crc_by_parameters() -> None:
    """Its size follows from its width: 24 bits are three octets."""
    algorithm = {"width": 24, "poly": 0x864CFB, "init": 0xB704CE}
    check = {"kind": "check", "algorithm": algorithm}
    form = packet_of("hdlc", {"kind": "address"}, PAYLOAD, check)
    assert form.layout.tail == 3
    assert form.layout.check is not None
    assert form.layout.check.check.name == "CRC-24/OPENPGP"


def test_an_ambiguous_check_is_refused() -> None:
    """The refusal of the check's name comes through."""
    check = {"kind": "check", "algorithm": "CRC-16"}
    with pytest.raises(BenchError, match="means several algorithms: CRC-16,"):
        packet_of("slip", {"kind": "address"}, PAYLOAD, check)


def test_what_must_come_first() -> None:
    """A marker is a literal, and the marked character holds an address."""
    with pytest.raises(ValueError, match="literal"):
        packet_of("marker", {"kind": "address"}, PAYLOAD)
    with pytest.raises(ValueError, match="address"):
        packet_of("ninth-bit", {"kind": "literal", "octets": "01"}, PAYLOAD)


@pytest.mark.parametrize("framing", ["break", "ninth-bit", "silence", "slip"])
def test_open_ended(framing: str) -> None:
    """Without a length only the next break or mark ends a packet."""
    begun = framing in ("break", "ninth-bit")
    address, length = {"kind": "address"}, {"kind": "length"}
    assert packet_of(framing, address, PAYLOAD).open_ended == begun
    assert not packet_of(framing, address, length, PAYLOAD).open_ended
    fixed = {"kind": "payload", "octets": 7}
    assert not packet_of(framing, address, fixed).open_ended


def test_a_length_in_the_tail_tells_a_receiver_nothing() -> None:
    """Only one before the payload makes a packet sized."""
    form = packet_of("slip", PAYLOAD, {"kind": "length", "size": 1})
    assert not form.layout.sized
    form = packet_of("slip", {"kind": "length", "size": 1}, PAYLOAD)
    assert form.layout.sized
