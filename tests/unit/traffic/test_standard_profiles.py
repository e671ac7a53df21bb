"""The shipped profiles of public standards, against the standards.

ANSI E1.11 (DMX512-A): what a transmitter must keep, table 6 and clause 8.11, by way of
summaries.  MODBUS over Serial Line V1.02: characters 2.5.1, silences 2.5.1.1; requests
from MODBUS Application Protocol V1.1b3.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from crccheck.crc import CrcModbus
from unit.traffic.profiles import chunks

from bench.base.columns import Flaw
from bench.base.errors import ProfileError
from bench.profile.load import load_profile
from bench.traffic.light import LightGuard
from bench.traffic.load import costs_of, intended_load, most_frame_rate
from bench.traffic.refusal import refuse
from bench.wire.decoder import Decoder
from bench.wire.format import format_of
from bench.wire.states import Packet, Rejected


def dmx(*overrides: str):
    """The shipped profile of DMX512."""
    return load_profile("dmx512", overrides)


def modbus(*overrides: str):
    """The shipped profile of MODBUS RTU."""
    return load_profile("modbus-rtu", overrides)


@pytest.mark.parametrize("name", ["dmx512", "modbus-rtu"])
def test_nothing_is_ever_stuffed(name):
    """Neither standard replaces octets: the worst pattern costs what any costs."""
    costs = costs_of(load_profile(name, ["traffic.pattern=worst-stuffing"]))
    assert costs.stuffed == 0
    assert costs.frame_ns(worst=True) == costs.frame_ns()


# --- DMX512 ---------------------------------------------------------------------------


def test_dmx_packet_by_hand():
    """A start code of zero, then 512 slots; each node's from its address on.

    The ramp counts up from 3 x frame + node in every node's 168 slots.
    """
    ((line, sent),) = chunks(dmx("traffic.pattern=ramp"), packets=3)
    for frame, row in enumerate(sent.rows):
        slots = [0] * 513  # slot 0 is the start code
        for node, first in enumerate((1, 169, 345)):
            for k in range(168):
                slots[first + k] = (3 * frame + node + k) % 256
        octets = line.octets[row["first"] : row["first"] + row["octets"]]
        assert octets.tolist() == [0, *slots]  # the break is reported as 00h
        payload = sent.payload[row["payload_at"] :][: row["payload_octets"]]
        assert payload.tolist() == slots[1:]


def test_dmx_timing():
    """Break 92 us, mark 12 us, slots of 44 us without a gap, 8N2 at 250 kbaud."""
    profile = dmx()
    assert profile.bus.character.step == 44_000
    ((line, sent),) = chunks(profile, packets=4)
    assert line.flaws["kind"].tolist() == [Flaw.BREAK] * 4
    assert line.flaws["length_ns"].tolist() == [92_000] * 4
    starts = line.runs["start_ns"].reshape(4, 2)
    assert (starts[:, 1] - starts[:, 0] == 92_000 + 12_000).all()
    assert line.runs["first"].tolist() == [
        place for first in sent.rows["first"].tolist() for place in (first, first + 1)
    ]
    ends = sent.rows["last_bit_ns"]
    assert (ends - starts[:, 1] == 513 * 44_000).all()
    # Break to break: 1204 us at least; 22,676 us for a full packet.
    assert (np.diff(starts[:, 0]) >= 22_676_000).all()


def test_dmx_refresh_rate():
    """44.099 a second are the most with 512 slots: 44 are sent and 45 are refused."""
    assert most_frame_rate(dmx()) == pytest.approx(44.099, abs=5e-4)
    refuse(dmx("traffic.frame_rate=44 Hz"))
    with pytest.raises(ProfileError, match=r"at most 44\.10 frames/s"):
        refuse(dmx("traffic.frame_rate=45 Hz"))
    assert intended_load(dmx()) == pytest.approx(40 * 22_676e-6)


def test_dmx_slots_at_sixty_a_second():
    """375 slots are the most that 60 packets a second can have."""
    nodes = ("output.devices=5", "node.1.address=121", "node.2.address=241")
    rate = (*nodes, "traffic.frame_rate=60 Hz")
    refuse(dmx(*rate, "packet.fields.1.octets=375"))
    with pytest.raises(ProfileError, match="own packets do not fit"):
        refuse(dmx(*rate, "packet.fields.1.octets=376"))


@pytest.mark.parametrize(
    ("slots", "end", "found"),
    [
        (bytes(513), "break", "packet"),
        (bytes(600), "break", "packet"),  # what follows the 512th slot is nobody's
        (bytes(512), "break", "LINE_ERROR"),  # the next break came too soon
        (bytes(512), "silence", "PAUSE"),  # loss of signal: no break for a second
        (b"\x17" + bytes(512), "break", "BAD_LITERAL"),  # not for light
    ],
)
def test_dmx_packets_that_are_taken(slots, end, found):
    """The profile's nodes take full packets with start code zero, and no others."""
    decoder = Decoder(format_of(dmx().packet), "forward")
    decoder.flaw(0, Flaw.BREAK)
    decoder.octets(slots[:100])
    decoder.gap(900_000_000)  # less than a second between slots is allowed
    decoder.octets(slots[100:])
    if end == "break":
        decoder.flaw(0, Flaw.BREAK)
    else:
        decoder.gap(1_000_000_001)
    kinds = [
        "packet" if isinstance(event, Packet) else event.reason.name
        for event in decoder.events()
        if isinstance(event, Packet | Rejected)
    ]
    assert kinds == [found]


def test_one_node_of_a_dmx_packet_is_lit():
    """A pattern by channel lights the slots of the node that it names."""
    profile = dmx("traffic.pattern=node refuge-hut, lane 7, full")
    ((_, sent),) = chunks(profile, packets=2)
    lit = np.flatnonzero(sent.payload[:512])
    assert lit.tolist() == list(range(168 + 7 * 21, 168 + 8 * 21))
    guard = LightGuard(profile)
    figures = guard.measure(*guard.by_node(sent))
    assert [node.brightness for node in figures.nodes] == [0.0, 1 / 8, 0.0]
    assert [node.packets for node in figures.nodes] == [2, 2, 2]


# --- MODBUS RTU -----------------------------------------------------------------------

T15, T35 = Fraction(3, 2), Fraction(7, 2)


def test_modbus_silences():
    """1.5 and 3.5 characters of 11 bits: 859.375 us and 2005.208 us at 19,200 baud."""
    profile = modbus()
    step = profile.bus.character.step
    assert step == Fraction(11 * 10**9, 19_200)
    packet = profile.packet
    assert packet.pause_ns == T15 * step == 859_375
    assert packet.silence_ns == -(-T35 * step // 1)
    assert round(float(T35 * step) / 1000, 3) == 2005.208


def test_modbus_fixed_silences():
    """Above 19,200 baud 750 us and 1.75 ms, which are those of 22,000 baud."""
    step = modbus("bus.baud=22000").bus.character.step
    assert (T15 * step, T35 * step) == (750_000, 1_750_000)
    fixed = ("packet.pause=750 us", "packet.silence=1.75 ms")
    fast = modbus(
        "bus.baud=115200", *fixed, "traffic.pacing=flood", "traffic.frame_rate=50 Hz"
    )
    ((_, sent),) = chunks(fast, packets=9)
    gaps = sent.rows["start_ns"][1:] - sent.rows["last_bit_ns"][:-1]
    assert gaps.min() >= 1_750_000
    assert gaps.max() <= 1_750_001
    frame = sealed("01 10 0064 0010 20" + 32 * "5A")
    for idle_ns, found in ((750_000, "packet"), (750_001, "PAUSE")):
        assert taken(fast, frame[:9], idle_ns, frame[9:], 1_750_000) == [found]


def sealed(text: str) -> bytes:
    """A frame with its CRC, low octet first, by a library."""
    octets = bytes.fromhex(text)
    return octets + CrcModbus.calc(octets).to_bytes(2, "little")


def test_modbus_packets_by_hand():
    """Address, 10h, first register, how many, how many octets, registers, CRC."""
    ((line, sent),) = chunks(modbus("traffic.pattern=ramp"), packets=6)
    for number, row in enumerate(sent.rows):
        frame, node = divmod(number, 3)
        registers = bytes((3 * frame + node + k) % 256 for k in range(32))
        sound = sealed(f"{node + 1:02X} 10 0064 0010 20" + registers.hex())
        octets = line.octets[row["first"] : row["first"] + row["octets"]]
        assert bytes(octets) == sound
    gaps = sent.rows["start_ns"][1:] - sent.rows["last_bit_ns"][:-1]
    assert gaps.min() >= T35 * modbus().bus.character.step


# V1.1b3, 6.12: registers 0001h and 0002h set to 000Ah and 0102h.  The CRC with slave
# 11h as it goes round in worked examples, from memory; a library agrees.
PUBLISHED = "11 10 0001 0002 04 000A 0102 C6F0"


def test_modbus_published_request():
    """The standard's own example, octet for octet."""
    overrides = (
        "packet.fields.2.octets=00 01",
        "packet.fields.3.octets=00 02",
        "packet.fields.5.octets=4",
        "output.devices=1",
        "output.register_bits=16",
        "node.0.address=17",
        "traffic.pattern=play",
    )
    recording = np.frombuffer(bytes.fromhex("000A 0102"), np.uint8)
    ((line, _),) = chunks(modbus(*overrides), packets=1, recording=recording)
    assert bytes(line.octets) == bytes.fromhex(PUBLISHED) == sealed(PUBLISHED[:-5])


# V1.02, appendix B, 6.2.2: every shift of the CRC of 02 07 is printed, result 41 12.
def test_modbus_worked_crc():
    """The profile's check, low octet first on the line."""
    layout = format_of(modbus().packet).layout
    assert layout.check is not None
    assert layout.check.field.order == "little"
    value = layout.check.check.compute(bytes([0x02, 0x07]))
    assert value.to_bytes(2, "little") == bytes([0x41, 0x12])


def taken(profile, *pieces: bytes | int | tuple[int, Flaw]) -> list[str]:
    """What a node of a profile makes of octets, idle times and flawed characters."""
    decoder = Decoder(format_of(profile.packet), profile.node[0].processor.resync)
    for piece in pieces:
        if isinstance(piece, bytes):
            decoder.octets(piece)
        elif isinstance(piece, tuple):
            decoder.flaw(*piece)
        else:
            decoder.gap(piece)
    return [
        "packet" if isinstance(event, Packet) else event.reason.name
        for event in decoder.events()
        if isinstance(event, Packet | Rejected)
    ]


GOOD = sealed("01 10 0064 0010 20" + 32 * "5A")
NEXT = (2_005_209, GOOD, 2_005_209)


@pytest.mark.parametrize(
    ("pieces", "found"),
    [
        ((GOOD,), ["packet"]),
        ((GOOD[:20], 859_375, GOOD[20:]), ["packet"]),  # 1.5 characters: still one
        ((GOOD[:20], 859_376, GOOD[20:]), ["PAUSE"]),  # more: the frame is discarded
        ((GOOD[:20], 2_005_208, GOOD[20:]), ["PAUSE"]),
        ((GOOD[:-1] + bytes([GOOD[-1] ^ 1]),), ["BAD_CHECK"]),
        ((GOOD[:20] + GOOD[21:],), ["TOO_SHORT"]),  # a character was lost
        ((GOOD[:20], (0x5A, Flaw.PARITY), GOOD[21:]), ["LINE_ERROR"]),
        ((GOOD + GOOD,), ["BAD_LENGTH"]),  # no silence between them
    ],
)
def test_modbus_discard_rules(pieces, found):
    """2.5.1.1, 2.5.1.2: whatever is discarded, the frame after a silence is taken."""
    assert taken(modbus(), *pieces, *NEXT) == [*found, "packet"]


def test_modbus_half_characters():
    """One half bit short of 3.5 characters does not end a frame, 3.5 do."""
    profile = modbus()
    bit = Fraction(10**9, 19_200)
    almost = int(T35 * profile.bus.character.step - bit / 2)
    assert taken(profile, GOOD, almost, GOOD, 10**7) == ["PAUSE"]
    assert taken(profile, GOOD, almost + int(bit), GOOD, 10**7) == ["packet", "packet"]
