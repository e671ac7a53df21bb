"""Packets built, put on the line, taken apart and examined."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire.streams import (
    FRAMINGS,
    SLIP,
    decoded,
    marked_first,
    random_format,
    random_packet,
)

from bench.base.columns import Drop
from bench.wire.checks import Check
from bench.wire.decoder import Packet
from bench.wire.format import (
    END,
    CheckRule,
    Delimiter,
    Delimiting,
    Format,
    Layout,
    Number,
    Unstuffing,
)
from bench.wire.packets import build, encode, fault_of, read

if TYPE_CHECKING:
    from random import Random

CRC = Check.named("CRC-16/MODBUS")
HANDRAIL = Format(
    Delimiting(Delimiter.MARKER, b"\xa5\x5a"),
    Unstuffing(),
    Layout(
        head=6,
        tail=3,
        least=0,
        most=16,
        literals=((-1, b"\x0d"),),
        address=Number(2, 1, "big"),
        mask=255,
        broadcast=(255,),
        sequence=Number(3, 1, "big"),
        length=Number(4, 2, "big"),
        length_adds=0,
        check=CheckRule(CRC, Number(-3, 2, "little"), 2, -3),
    ),
)


def test_worked_by_hand() -> None:
    """Every field of one packet, octet for octet; the CRC as the catalogue has it."""
    packet = build(HANDRAIL, address=0x11, payload=b"\xde\xad", sequence=0x107)
    assert packet[:-3] == bytes.fromhex("A55A 11 07 0002 DEAD")
    assert packet[-1:] == b"\x0d"
    crc = CRC.compute(bytes.fromhex("11 07 0002 DEAD"))
    assert packet[-3:-1] == bytes([crc & 255, crc >> 8])
    fields = read(HANDRAIL, packet)
    assert (fields.payload, fields.address, fields.sequence) == (b"\xde\xad", 0x11, 7)
    assert (fields.length, fields.check) == (2, crc)
    assert fault_of(HANDRAIL.layout, packet) is None


@pytest.mark.parametrize(
    ("spoil", "fault"),
    [
        (lambda p: p[:8], Drop.TOO_SHORT),
        (lambda p: p[:-1] + b"\x0a", Drop.BAD_LITERAL),
        (lambda p: p[:5] + b"\x03" + p[6:], Drop.BAD_LENGTH),
        (lambda p: p[:6] + b"\x00" + p[6:], Drop.BAD_LENGTH),
        (lambda p: p[:2] + b"\x10" + p[3:], Drop.BAD_CHECK),
        (lambda p: p[:-2] + b"\x00" + p[-1:], Drop.BAD_CHECK),
        # The first in the order of the examination counts.
        (lambda p: p[:5] + b"\x03" + p[6:-1] + b"\x0a", Drop.BAD_LITERAL),
        (lambda p: p[:2] + b"\x10" + p[3:5] + b"\x03" + p[6:], Drop.BAD_LENGTH),
    ],
)
def test_faults_in_their_order(spoil, fault: Drop) -> None:
    """Too short, literal, length, check."""
    packet = build(HANDRAIL, address=0x11, payload=b"\xde\xad", sequence=7)
    assert fault_of(HANDRAIL.layout, spoil(packet)) == fault


def test_payload_outside_the_limits() -> None:
    """A packet may be sound but for its size: a bad length."""
    packet = build(HANDRAIL, address=1, payload=bytes(17))
    assert fault_of(HANDRAIL.layout, packet) == Drop.BAD_LENGTH


def test_spoilt_checks() -> None:
    """Any xor but zero spoils it, and nothing else."""
    for xor in (1, 0x8000, 0xFFFF):
        packet = build(HANDRAIL, address=1, payload=b"ebb", check_xor=xor)
        assert fault_of(HANDRAIL.layout, packet) == Drop.BAD_CHECK
        assert read(HANDRAIL, packet).payload == b"ebb"


@pytest.mark.parametrize(
    ("address", "words"),
    [(-1, "does not fit"), (256, "does not fit"), (None, "address None")],
)
def test_an_address_must_fit(address: int | None, words: str) -> None:
    """None and numbers that its field cannot hold are refused."""
    with pytest.raises(ValueError, match=words):
        build(HANDRAIL, address=address, payload=b"")


def test_a_length_must_fit() -> None:
    """65,536 octets are more than two octets can tell."""
    with pytest.raises(ValueError, match="65536 does not fit 2 octets"):
        build(HANDRAIL, address=1, payload=bytes(65536))


def test_nothing_to_read() -> None:
    """Fewer octets than the fields beside the payload have."""
    with pytest.raises(ValueError, match="8 octets, but the fields need 9"):
        read(HANDRAIL, bytes(8))


def test_delimiters_on_the_line() -> None:
    """RFC 1055 as most send it: an END before the packet, too; or only after it."""
    layout = Layout(0, 0, 0, 9, (), None, 0, (), None, None, 0, None)
    for leading, octets in ((True, "C0 01 DBDC C0"), (False, "01 DBDC C0")):
        delimiting = Delimiting(Delimiter.OCTET, b"\xc0", leading)
        packet = Format(delimiting, SLIP, layout)
        assert encode(packet, b"\x01\xc0") == bytes.fromhex(octets)
    assert encode(HANDRAIL, b"as it is") == b"as it is"


def test_a_check_over_the_whole_packet_but_itself() -> None:
    """A check in the head may cover all that follows it, up to the packet's end."""
    layout = Layout(
        2,
        1,
        0,
        4,
        ((-1, b"\x7e"),),
        Number(0, 1, "big"),
        255,
        (),
        None,
        None,
        0,
        CheckRule(Check.named("sum-8"), Number(1, 1, "big"), 2, END),
    )
    packet = Format(Delimiting(Delimiter.SILENCE, silence_ns=9), Unstuffing(), layout)
    octets = build(packet, address=9, payload=b"\x01\x02")
    assert octets == bytes([9, (1 + 2 + 0x7E) % 256, 1, 2, 0x7E])
    assert fault_of(layout, octets) is None


@settings(deadline=None)
@given(st.sampled_from(FRAMINGS), st.randoms(use_true_random=False))
def test_built_encoded_decoded(framing: str, random: Random) -> None:
    """Packets of any format come back from the line with all they held."""
    packet = random_format(random, framing)
    layout = packet.layout
    inputs, expected = [], []
    for number in range(random.randint(1, 5)):
        address = None if layout.address is None else random.choice((0, 7, 255))
        payload = random.randbytes(random.randint(layout.least, layout.most))
        octets = build(packet, address=address, payload=payload, sequence=number)
        if not octets and framing in ("silence", "break", "ninth-bit"):
            continue  # nothing was sent
        if framing == "break":
            inputs.append(("flaw", 0, 3))
        line = [("octets", encode(packet, octets))]
        inputs += marked_first(line) if packet.marks_first else line
        if framing == "silence":
            inputs.append(("gap", packet.delimiting.silence_ns or 0))
        sequence = None if layout.sequence is None else number
        expected.append((octets, payload, address, sequence))
    if framing == "silence" and packet.delimiting.silence_ns is None:
        return  # without a silence they run together
    events = decoded(packet, "forward", inputs)
    found = [
        (event.raw, event.payload, event.address, event.sequence)
        for event in events
        if isinstance(event, Packet)
    ]
    assert found == expected
    assert len(events) == 2 * len(found)


@settings(deadline=None)
@given(st.sampled_from(FRAMINGS), st.randoms(use_true_random=False))
def test_sound_until_an_octet_changes(framing: str, random: Random) -> None:
    """A built packet is sound, and one that its CRC covers is not when spoilt."""
    packet = random_format(random, framing)
    octets = random_packet(random, packet)
    rule = packet.layout.check
    fault = fault_of(packet.layout, octets)
    assert fault in (None, Drop.BAD_CHECK)
    if rule is None or not rule.check.name.startswith("CRC") or fault:
        return
    end = len(octets) if rule.end == END else (rule.end + len(octets)) % len(octets)
    if rule.end > 0:
        end = rule.end
    if end <= rule.start:
        return
    spoilt = bytearray(octets)
    spoilt[random.randrange(rule.start, end)] ^= 1 << random.randrange(8)
    assert fault_of(packet.layout, bytes(spoilt)) is not None
