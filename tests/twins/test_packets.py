"""The packet kernels: against plain twins, the wire's own definition, and libraries."""

from __future__ import annotations

import numpy as np
import pytest
import sliplib
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import packet_twin
from twins.schedule_cases import FRAMINGS, cases, profile_of

from bench.kernels import packets as kernel
from bench.kernels.checks import NO_CHECK, make_check, make_tables
from bench.kernels.line.gap import largest, longest
from bench.kernels.line.state import PLAN
from bench.traffic.plan import packets_of
from bench.wire import packets as wire
from bench.wire.format import format_of


def built(parts: kernel.Packets, address: int, sequence: int, payload: bytes) -> bytes:
    """A packet from the kernel, two octets into a longer column."""
    head = int(parts.shape[0]["head"])
    out = np.full(len(payload) + 200, 0xEE, np.uint8)
    out[2 + head : 2 + head + len(payload)] = np.frombuffer(payload, np.uint8)
    octets = kernel.build(parts, address, sequence, out, 2, len(payload))
    assert bytes(out[:2]) == b"\xee\xee"
    assert bytes(out[2 + octets :]) == b"\xee" * (len(out) - octets - 2)
    return bytes(out[2 : 2 + octets])


def stuffed(parts: kernel.Packets, packet: bytes) -> bytes:
    """A packet as the kernel puts it on the line."""
    plain = np.frombuffer(packet, np.uint8).copy()
    out = np.full(2 * len(packet) + 20, 0xEE, np.uint8)
    end = kernel.stuff(parts, plain, len(packet), out, 3)
    assert bytes(out[:3]) == b"\xee" * 3
    assert bytes(out[end:]) == b"\xee" * (len(out) - end)
    return bytes(out[3:end])


@pytest.mark.parametrize("framing", FRAMINGS)
@given(data=st.data(), payload=st.binary(max_size=60))
@settings(max_examples=60, deadline=None)
def test_kernel_twin_and_wire_build_the_same(framing, data, payload):
    """Any layout, address, sequence and payload, before stuffing and on the line."""
    case = data.draw(cases(framing, "timed"))
    address = data.draw(st.integers(0, 255))
    sequence = data.draw(st.integers(0, 2**40))
    format_ = format_of(profile_of(case).packet)
    parts = packets_of(format_)
    packet = built(parts, address, sequence, payload)
    assert packet == packet_twin.build(case, address, sequence, payload)
    assert packet == wire.build(
        format_, address=address, payload=payload, sequence=sequence
    )
    line = stuffed(parts, packet)
    assert line == packet_twin.stuff(framing, packet)
    assert line == wire.encode(format_, packet)
    most = packet_twin.sizes(case, len(payload))[1]
    assert longest(parts.shape[0], len(payload)) == most >= len(line)


def _parts(framing: str) -> kernel.Packets:
    """The parts of a framing, whatever its fields: only its stuffing is looked at."""
    shape = np.zeros(1, kernel.SHAPE)
    escapes = np.full(256, -1, np.int64)
    rules = {"cobs": (kernel.COBS, 0x00, 0), "slip": (kernel.ESCAPED, 0xC0, 1)}
    rules |= {"hdlc": (kernel.ESCAPED, 0x7E, 1), "marker": (kernel.PLAIN, -1, 0)}
    shape["stuffing"], shape["delimiter"], shape["leading"] = rules[framing]
    if framing == "slip":
        shape["escape"] = 0xDB
        escapes[0xC0], escapes[0xDB] = 0xDC, 0xDD
    if framing == "hdlc":
        shape["escape"] = 0x7D
        escapes[0x7E], escapes[0x7D] = 0x5E, 0x5D
    blank, check = np.zeros(0, np.uint8), make_check(NO_CHECK)
    return kernel.Packets(shape, blank, escapes, check, make_tables())


# Few values make long runs without a zero, and many octets to replace.
PLENTY = st.one_of(
    st.binary(max_size=700),
    st.lists(st.sampled_from([0, 1, 0xC0, 0xDB, 0x7D, 0x7E]), max_size=300).map(bytes),
    st.integers(250, 260).map(lambda size: b"\x01" * size),
    st.integers(505, 512).map(lambda size: b"\x02" * size + b"\x00"),
)


@given(packet=PLENTY)
@settings(deadline=None)
def test_cobs_is_the_library_s(packet):
    """Stuffed as the library does, with the delimiter after it."""
    assert stuffed(_parts("cobs"), packet) == cobs.encode(packet) + b"\0"


@given(packet=PLENTY)
@settings(deadline=None)
def test_slip_is_the_library_s(packet):
    """Escaped as the library does, with a delimiter before and after."""
    line = sliplib.encode(packet)
    assert stuffed(_parts("slip"), packet) == b"\xc0" + line + b"\xc0"


@given(packet=PLENTY)
@settings(deadline=None)
def test_hdlc_is_the_rule_of_the_rfc(packet):
    """RFC 1662, 4.2: every flag and escape is an escape and the octet xor 20h."""
    escaped = packet.replace(b"\x7d", b"\x7d\x5d").replace(b"\x7e", b"\x7d\x5e")
    assert stuffed(_parts("hdlc"), packet) == b"\x7e" + escaped + b"\x7e"


# Cheshire and Baker 1999, figure 3; RFC 1055's codes in a trade article of 1994.
def test_published_stuffing():
    """Printed examples of COBS and SLIP."""
    plain = bytes.fromhex("45 00 00 2C 4C 79 00 00 40 06 4F 37")
    line = bytes.fromhex("02 45 01 04 2C 4C 79 01 05 40 06 4F 37 00")
    assert stuffed(_parts("cobs"), plain) == line
    plain = bytes.fromhex("1E C0 80 7F 02 DB 08 00")
    line = bytes.fromhex("C0 1E DB DC 80 7F 02 DB DD 08 00 C0")
    assert stuffed(_parts("slip"), plain) == line


@pytest.mark.parametrize("framing", ["cobs", "slip", "hdlc", "marker"])
def test_largest_payload_for_a_room(framing):
    """Tried one by one: the largest whose packet fits at its longest."""
    parts = _parts(framing)
    plan = np.zeros(1, PLAN)
    plan["most"] = 1500
    shape = parts.shape
    shape["head"], shape["tail"] = 2, 1
    sizes = [longest(shape[0], octets) for octets in range(1501)]
    assert sizes == sorted(set(sizes))
    octets = 0
    for room in range(sizes[0], sizes[-1] + 5):
        while octets < 1500 and sizes[octets + 1] <= room:
            octets += 1
        assert largest(plan[0], shape[0], room) == octets
