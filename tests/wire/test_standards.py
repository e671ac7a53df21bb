"""Whole standards through the wire floor: RFC 1055, RFC 1662, COBS, MODBUS, DMX512.

Formats come from packet sections as a profile holds them, octets from the standards;
for MODBUS and DMX512, and for nine data bits, which no standard covers, the chain
begins with the levels of the line.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from cobs import cobs
from wire.shorthand import short
from wire.streams import decoded

from bench.base.columns import Flaw
from bench.profile.model import Packet as Section
from bench.wire.characters import (
    NINTH_BIT,
    Character,
    CharacterFormat,
    CharacterReader,
    Idle,
    LineBreak,
    write_levels,
)
from bench.wire.checks import Check
from bench.wire.decoder import Decoder, Packet, Rejected
from bench.wire.format import format_of

if TYPE_CHECKING:
    from bench.wire.decoder import Event
    from bench.wire.format import Format


def packet_of(framing: str, *fields: dict, **keys: object) -> Format:
    """The format of a packet section."""
    section = {"framing": framing, "fields": list(fields), **keys}
    return format_of(Section.model_validate(section))


def events_of(packet: Format, *pieces: str) -> list[Event]:
    """What comes of some octets, with a silence between the pieces."""
    inputs: list[tuple] = []
    for piece in pieces:
        inputs += [("octets", bytes.fromhex(piece)), ("gap", 10**9)]
    return decoded(packet, "forward", inputs)


def packets(events: list[Event]) -> list[str]:
    """The octets of the sound packets, in hex."""
    return [event.raw.hex() for event in events if isinstance(event, Packet)]


def reasons(events: list[Event]) -> list[str]:
    """Why the others were rejected."""
    return [event.reason.name for event in events if isinstance(event, Rejected)]


# --- RFC 1055 -------------------------------------------------------------------------

ANY = {"kind": "payload", "least": 1, "most": 1006}  # RFC 1055: 1006 octets at most
SLIP = packet_of("slip", ANY)


def test_slip_packets() -> None:
    """END before and after; the noise of an idle line is flushed by the first END."""
    events = events_of(SLIP, "55 C0 4500DBDC C0 C0 DBDD01 C0")
    assert packets(events) == ["55", "4500c0", "db01"]
    assert reasons(events) == []


def test_slip_protocol_error() -> None:
    """ESC followed by anything else is one, and costs one packet."""
    events = events_of(SLIP, "C0 01 DB 02 C0 C0 03 C0")
    assert reasons(events) == ["BAD_STUFFING"]
    assert packets(events) == ["03"]


def test_slip_longest() -> None:
    """1006 octets, all doubled, are a packet; 1007 are none."""
    events = events_of(SLIP, "C0" + 1006 * "DBDC" + "C0" + 1007 * "01" + "C0 05 C0")
    assert packets(events) == [1006 * "c0", "05"]
    assert reasons(events) == ["BAD_LENGTH"]


# --- RFC 1662 -------------------------------------------------------------------------


def hdlc(algorithm: str) -> Format:
    """All stations, unnumbered information, a protocol number, FCS low octet first."""
    return packet_of(
        "hdlc",
        {"kind": "literal", "octets": "FF 03"},
        {"kind": "address", "size": 2},
        {"kind": "payload", "least": 0, "most": 1500},
        {"kind": "check", "algorithm": algorithm, "order": "little"},
    )


FCS16, FCS32 = hdlc("CRC-16/IBM-SDLC"), hdlc("CRC-32/ISO-HDLC")


def test_hdlc_frame() -> None:
    """A request to configure a link, with and without control characters escaped."""
    bare = "7E FF03C02101010004D1B5 7E"
    escaped = "7E FF7D23C0217D217D217D207D24D1B5 7E"
    for line in (bare, escaped):
        (_, event) = events_of(FCS16, line)
        assert isinstance(event, Packet)
        assert event.raw.hex() == "ff03c02101010004d1b5"
        assert (event.address, event.payload.hex()) == (0xC021, "01010004")


@pytest.mark.parametrize(
    ("packet", "octets", "good", "init"),
    [(FCS16, 2, 0xF0B8, 0xFFFF), (FCS32, 4, 0xDEBB20E3, 0xFFFFFFFF)],
)
def test_good_final_fcs(packet: Format, octets: int, good: int, init: int) -> None:
    """RFC 1662 appendix C.2, C.3: the register after a frame and its FCS."""
    assert packet.layout.check is not None
    check = packet.layout.check.check
    frame = bytes.fromhex("FF03C02101010004")
    frame += check.compute(frame).to_bytes(octets, "little")
    assert check.compute(frame) ^ check.xorout == good
    assert check.compute(b"") ^ check.xorout == init
    events = events_of(packet, "7E" + frame.hex() + "7E")
    assert packets(events) == [frame.hex()]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("7E FF03C0 7E", "TOO_SHORT"),  # less than address, control and FCS
        ("7E 01 7E", "TOO_SHORT"),
        ("7E FF03C02101010004D1B57D 7E", "ABORTED"),
    ],
)
def test_silent_discard(line: str, why: str) -> None:
    """RFC 1662 section 4.3: not counted as an FCS error, and the next frame is fine."""
    events = events_of(FCS16, line + "FF03C02101010004D1B5 7E")
    assert reasons(events) == [why]
    assert packets(events) == ["ff03c02101010004d1b5"]


def test_flags() -> None:
    """Two flags are an empty frame and ignored; one may end and begin frames."""
    frame = "FF03C02101010004D1B5"
    events = events_of(FCS16, f"7E 7E 7E {frame} 7E {frame} 7E 7E")
    assert [row.split()[0] for row in short(events)] == ["begun", "packet"] * 2
    assert reasons(events_of(FCS16, f"7E {frame[:-2]}B4 7E")) == ["BAD_CHECK"]


# --- COBS -----------------------------------------------------------------------------


def test_cobs_stream() -> None:
    """The paper's packet and others through a library, zeros between them."""
    packet = packet_of("cobs", {"kind": "payload", "least": 1, "most": 600})
    sent = [
        bytes.fromhex("4500002C4C79000040064F37"),
        bytes(5),
        bytes(range(256)) * 2,
        b"\x01" * 254,
    ]
    line = b"\0".join([b"", *(cobs.encode(octets) for octets in sent), b""])
    assert packets(events_of(packet, line.hex())) == [octets.hex() for octets in sent]


# --- MODBUS over serial line ----------------------------------------------------------

# MODBUS over Serial Line V1.02, 2.5.1: 8E1, at most 256 octets, silence of 3.5
# characters after a packet, none of more than 1.5 within it; here at 19,200 baud.
LINE = CharacterFormat(19_200, 8, "even")
MODBUS = packet_of(
    "silence",
    {"kind": "address", "size": 1, "broadcast": [0]},
    {"kind": "payload", "least": 1, "most": 253},
    {"kind": "check", "algorithm": "CRC-16/MODBUS", "order": "little"},
    silence="2005.208 us",
    pause="859.375 us",
)
REQUESTS = [
    "1101001300250E84",
    "110200C40016BAA9",
    "1103006B00037687",
    "110306AE415652434049AD",
    "110400080001B298",
]


def test_modbus_frames() -> None:
    """Requests and a reply of the protocol's examples, each ended by a silence."""
    events = events_of(MODBUS, *REQUESTS)
    assert packets(events) == [request.lower() for request in REQUESTS]
    assert {e.address for e in events if isinstance(e, Packet)} == {0x11}


def test_modbus_rules() -> None:
    """Too short, too long, a wrong CRC, two frames without a silence between them."""
    assert reasons(events_of(MODBUS, "114004")) == ["TOO_SHORT"]
    assert reasons(events_of(MODBUS, "11" * 257)) == ["BAD_LENGTH"]
    assert reasons(events_of(MODBUS, "1101001300250E85")) == ["BAD_CHECK"]
    assert reasons(events_of(MODBUS, REQUESTS[0] + REQUESTS[1])) == ["BAD_CHECK"]
    longest = bytes([17]) + bytes(253)
    crc = Check.named("MODBUS").compute(longest).to_bytes(2, "little")
    assert len(longest + crc) == 256
    assert packets(events_of(MODBUS, (longest + crc).hex())) == [(longest + crc).hex()]


def through_the_line(
    line: CharacterFormat, packet: Format, changes: list[tuple[int, int]], end_ns: int
) -> list[Event]:
    """Level changes through both receivers."""
    rule = packet.delimiting
    least = min(ns for ns in (rule.pause_ns, rule.silence_ns, 10**9) if ns is not None)
    reader = CharacterReader(line, idle_ns=least)
    decoder = Decoder(packet, "forward")
    events: list[Event] = []
    for change in changes:
        reader.change(*change)
    reader.finish(end_ns)
    for seen in reader.events():
        if isinstance(seen, Idle):
            decoder.gap(end_ns if seen.length_ns is None else seen.length_ns)
        elif isinstance(seen, LineBreak):
            decoder.flaw(0, Flaw.BREAK)
        elif isinstance(seen, Character) and seen.flaw is not None:
            decoder.flaw(seen.octet, seen.flaw)
        else:
            decoder.octets(bytes([seen.octet]))
        events += decoder.events()
    return events


@pytest.mark.parametrize(
    ("half_characters", "within", "result"),
    [
        (7, False, ["packet", "packet"]),  # 3.5 characters between frames
        (6, False, ["PAUSE"]),  # 3 do not end a frame, but spoil it
        (3, True, ["packet"]),  # 1.5 within a frame
        (4, True, ["PAUSE"]),  # 2 within a frame
    ],
)
def test_modbus_silences_on_the_line(
    half_characters: int, within: bool, result: list[str]
) -> None:
    """Idle time is measured from the end of a stop bit to a start bit."""
    frame = bytes.fromhex(REQUESTS[0])
    first, rest = (frame[:4], frame[4:]) if within else (frame, frame)
    pitch = LINE.character
    again = pitch.at(len(first)) + pitch.at(half_characters) // 2 + (not within)
    changes = write_levels(first, LINE) + write_levels(rest, LINE, again)
    events = through_the_line(LINE, MODBUS, changes, again + 20 * pitch.at(1))
    assert [row.split()[0] for row in short(events) if "begun" not in row] == result


def test_modbus_parity_error_on_the_line() -> None:
    """A character with wrong parity: the whole frame is discarded, the next is not."""
    odd = CharacterFormat(19_200, 8, "odd")
    frame = bytes.fromhex(REQUESTS[0])
    pitch = LINE.character
    changes = write_levels(frame[:3], LINE)
    changes += write_levels(frame[3:4], odd, pitch.at(3))
    changes += write_levels(frame[4:], LINE, pitch.at(4))
    changes += write_levels(frame, LINE, pitch.at(20))
    events = through_the_line(LINE, MODBUS, changes, pitch.at(60))
    assert short(events) == [
        "begun 0",
        "LINE_ERROR 0-4 to 17",
        "begun 8",
        "packet 8-16 to 17",
    ]


# --- DMX512 ---------------------------------------------------------------------------

# ANSI E1.11: 250 kbaud, 8N2, a start code and up to 512 slots after a break.
SLOTS = CharacterFormat(250_000, stop_bits=2)
DMX = packet_of(
    "break",
    {"kind": "literal", "octets": "00"},
    {"kind": "payload", "least": 1, "most": 512},
    silence="1 s",
)


def dmx(
    start_ns: int, slots: bytes, low_us: int, mark_us: int
) -> list[tuple[int, int]]:
    """A break, a mark, and slots, as level changes."""
    rise = start_ns + 1000 * low_us
    changes = [(start_ns, 0), (rise, 1)]
    return changes + write_levels(slots, SLOTS, rise + 1000 * mark_us)


def test_dmx_break_to_break() -> None:
    """The shortest packet and the full one, sent as fast as the standard allows.

    24 slots: 92 + 12 + 25 x 44 = 1204 us from break to break; 512 slots: 22,676 us.
    """
    short_slots, full = bytes(range(25)), bytes([0]) + bytes(range(256)) * 2
    changes = dmx(0, short_slots, 92, 12)
    changes += dmx(1_204_000, full, 92, 12)
    changes += dmx(1_204_000 + 22_676_000, short_slots, 92, 12)
    events = through_the_line(SLOTS, DMX, changes, 2 * 10**9)
    assert packets(events) == [short_slots.hex(), full.hex(), short_slots.hex()]
    assert short(events)[-1] == "packet 540-566"


def test_dmx_other_start_code_and_too_many_slots() -> None:
    """Another start code is not light; the 513th slot is one too many."""
    changes = dmx(0, b"\x17\x01", 176, 12)
    changes += dmx(10**7, bytes(514), 176, 12)
    changes += dmx(10**8, b"\x00\x55", 88, 8)
    events = through_the_line(SLOTS, DMX, changes, 2 * 10**9)
    assert reasons(events) == ["BAD_LITERAL", "BAD_LENGTH"]
    assert packets(events) == ["0055"]


def test_dmx_framing_error_is_no_break() -> None:
    """A low of one character spoils the packet; it does not begin another."""
    changes = dmx(0, b"\x00\xaa", 176, 12)
    low = 176_000 + 12_000 + 2 * 44_000 + 1000
    changes += [(low, 0), (low + 44_000, 1)]
    changes += dmx(low + 300_000, b"\x00\x55", 92, 12)
    events = through_the_line(SLOTS, DMX, changes, 2 * 10**9)
    assert reasons(events) == ["LINE_ERROR"]
    assert packets(events) == ["0055"]


# --- nine data bits -------------------------------------------------------------------

# Common practice, no source: the ninth bit is set in the first character of a packet,
# its address, and clear in all others.
NINE = CharacterFormat(1_000_000, 9)
NINTH = packet_of(
    "ninth-bit",
    {"kind": "address", "size": 1},
    {"kind": "payload", "octets": 3},
    {"kind": "check", "algorithm": "CRC-8/SMBUS"},
)


def nine(packet: bytes) -> list[int]:
    """The data bits of a packet's characters."""
    return [NINTH_BIT | packet[0], *packet[1:]]


def test_nine_bits_on_the_line() -> None:
    """Octets that look like an address do not begin a packet; a new address does."""
    check = Check.named("CRC-8/SMBUS")
    first, second = (
        octets + bytes([check.compute(octets)])
        for octets in (bytes([17, 17, 17, 17]), bytes([18, 0, 255, 17]))
    )
    data = [*nine(first), 17, 17, *nine(first)[:3], *nine(second)]
    changes = write_levels(data, NINE)
    assert NINE.character.at(1) == 11_000
    events = through_the_line(NINE, NINTH, changes, 10**9)
    assert short(events) == [
        "begun 0",
        "packet 0-5 to 17",
        "begun 7",
        "LINE_ERROR 7-10 to 17",
        "begun 10",
        "packet 10-15 to 18",
    ]
