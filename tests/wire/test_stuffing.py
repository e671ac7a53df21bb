"""Stuffing against the paper, the standards and two libraries."""

from __future__ import annotations

import pytest
import sliplib
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st
from wire.streams import HDLC, SLIP

from bench.base.columns import Drop
from bench.wire.format import (
    Delimiter,
    Delimiting,
    Format,
    Layout,
    Stuffing,
    Unstuffing,
)
from bench.wire.stuffing import StuffingError, stuff, unstuff

COBS = Unstuffing(Stuffing.COBS)
NONE = Unstuffing()
RULES = {"cobs": (COBS, 0x00), "slip": (SLIP, 0xC0), "hdlc": (HDLC, 0x7E)}

# Octets that matter to one of the rules come often.
OCTETS = st.lists(
    st.one_of(
        st.sampled_from([0, 1, 0x7D, 0x7E, 0x5D, 0x5E, 0xC0, 0xDB, 0xDC, 0xDD, 0xFF]),
        st.integers(0, 255),
    ),
    max_size=600,
).map(bytes)
LONG = st.tuples(st.integers(1, 255), st.integers(0, 1100), st.binary(max_size=3)).map(
    lambda parts: bytes([parts[0]]) * parts[1] + parts[2]
)


def bad(rule: Unstuffing, raw: str) -> Drop:
    """In which way some octets are bad."""
    with pytest.raises(StuffingError) as caught:
        unstuff(rule, bytes.fromhex(raw))
    return caught.value.reason


# --- any packet -----------------------------------------------------------------------


@pytest.mark.parametrize("name", RULES)
@settings(deadline=None)
@given(octets=st.one_of(OCTETS, LONG))
def test_there_and_back(name: str, octets: bytes) -> None:
    """Stuffed octets hold no delimiter, and unstuff to what they were."""
    rule, delimiter = RULES[name]
    stuffed = stuff(rule, octets)
    assert delimiter not in stuffed
    assert unstuff(rule, stuffed) == octets


@pytest.mark.parametrize("name", RULES)
@pytest.mark.parametrize("leading", [False, True])
@settings(deadline=None)
@given(octets=st.one_of(OCTETS, LONG))
def test_never_longer_than_stated(name: str, leading: bool, octets: bytes) -> None:
    """`longest_stuffed` bounds what goes on the line, delimiters in."""
    rule, delimiter = RULES[name]
    layout = Layout(0, 0, 0, len(octets), (), None, 0, (), None, None, 0, None)
    delimiting = Delimiting(Delimiter.OCTET, bytes([delimiter]), leading)
    packet = Format(delimiting, rule, layout)
    longest = packet.longest_stuffed(len(octets))
    assert len(stuff(rule, octets)) + 1 + leading <= longest
    assert packet.longest_raw == longest - 1 - leading


@settings(deadline=None)
@given(octets=OCTETS)
def test_nothing_to_stuff(octets: bytes) -> None:
    """A packet that is not stuffed goes as it is."""
    assert stuff(NONE, octets) == unstuff(NONE, octets) == octets


@pytest.mark.parametrize("name", RULES)
@settings(deadline=None)
@given(octets=OCTETS)
def test_any_octets_are_unstuffed_or_bad(name: str, octets: bytes) -> None:
    """Rubbish is told from packets; what is none of these is a fault of ours."""
    rule, delimiter = RULES[name]
    raw = octets.replace(bytes([delimiter]), b"")
    try:
        packet = unstuff(rule, raw)
    except StuffingError as error:
        reason = error.reason
    else:
        reason = None
        # The one other spelling is COBS's empty group after a full one.
        again = stuff(rule, packet)
        assert again == raw or name != "slip"
        assert unstuff(rule, again) == packet
    assert reason in (None, Drop.BAD_STUFFING, Drop.ABORTED)


# --- COBS -----------------------------------------------------------------------------


def test_paper_example() -> None:
    """Cheshire and Baker, IEEE/ACM ToN 7(2) 1999, figure 3."""
    packet = bytes.fromhex("4500002C4C79000040064F37")
    raw = bytes.fromhex("024501042C4C79010540064F37")
    assert stuff(COBS, packet) == raw
    assert unstuff(COBS, raw) == packet


@pytest.mark.parametrize(
    ("packet", "raw"),
    [
        ("", "01"),
        ("00", "0101"),
        ("0000", "010101"),
        ("001100", "01021101"),
        ("11220033", "0311220233"),
        ("11223344", "0511223344"),
        ("11000000", "0211010101"),
    ],
)
def test_cobs_small(packet: str, raw: str) -> None:
    """The widely published table."""
    assert stuff(COBS, bytes.fromhex(packet)).hex() == raw
    assert unstuff(COBS, bytes.fromhex(raw)).hex() == packet


def test_cobs_block_edges() -> None:
    """The same table, around groups of 254."""
    ff = bytes([0xFF])
    run = bytes(range(256))
    edges = {
        run[1:255]: ff + run[1:255],
        run[:255]: b"\x01" + ff + run[1:255],
        run[1:]: ff + run[1:255] + b"\x02\xff",
        run[2:] + b"\0": ff + run[2:] + b"\x01\x01",
        run[3:] + b"\0\x01": b"\xfe" + run[3:] + b"\x02\x01",
    }
    for packet, raw in edges.items():
        assert stuff(COBS, packet) == raw
        assert unstuff(COBS, raw) == packet


@pytest.mark.parametrize("groups", [1, 2, 3])
def test_cobs_both_spellings(groups: int) -> None:
    """Full groups at the end, with an empty group after them (the paper) or without."""
    packet = bytes([7]) * 254 * groups
    short = stuff(COBS, packet)
    assert len(short) == 255 * groups
    assert unstuff(COBS, short) == unstuff(COBS, short + b"\x01") == packet
    assert unstuff(COBS, short + b"\x01\x01") == packet + b"\0"


@pytest.mark.parametrize(
    ("octets", "longest"),
    [(254, 255), (255, 257), (508, 510), (509, 512), (1024, 1029), (1500, 1506)],
)
def test_cobs_longest(octets: int, longest: int) -> None:
    """At most one octet for every 254 begun, and one at least (the paper's bound)."""
    worst = max(len(stuff(COBS, bytes([k]) * octets)) for k in (0, 1, 255))
    layout = Layout(0, 0, 0, octets, (), None, 0, (), None, None, 0, None)
    packet = Format(Delimiting(Delimiter.OCTET, b"\0"), COBS, layout)
    assert worst == packet.longest_raw == packet.longest_stuffed(octets) - 1 == longest


@settings(deadline=None)
@given(st.one_of(OCTETS, LONG))
def test_cobs_equals_a_library(octets: bytes) -> None:
    """Both ways, on any octets."""
    raw = cobs.encode(octets)
    assert stuff(COBS, octets) == raw
    assert unstuff(COBS, raw) == octets


@settings(deadline=None)
@given(st.binary(max_size=40).map(lambda raw: raw.replace(b"\0", b"") + b"\x02"))
def test_cobs_rubbish_equals_a_library(raw: bytes) -> None:
    """What the library cannot decode is bad stuffing here, and nothing else is."""
    try:
        expected = cobs.decode(raw)
    except cobs.DecodeError:
        assert bad(COBS, raw.hex()) == Drop.BAD_STUFFING
    else:
        assert unstuff(COBS, raw) == expected


# --- RFC 1055 -------------------------------------------------------------------------


@settings(deadline=None)
@given(OCTETS)
def test_slip_equals_a_library(octets: bytes) -> None:
    """Both ways; rubbish raises there, too."""
    assert sliplib.encode(octets) == stuff(SLIP, octets)
    raw = octets.replace(b"\xc0", b"")
    try:
        expected = sliplib.decode(raw)
    except sliplib.ProtocolError:
        assert bad(SLIP, raw.hex()) == Drop.BAD_STUFFING
    else:
        assert unstuff(SLIP, raw) == expected


def test_slip_worked_packet() -> None:
    """A trade article of 1994, figure 4: an echo request with both special octets."""
    packet = "4500005400010000400158 91807F1EC0807F02DB08000DFB"
    raw = "4500005400010000400158 91807F1EDBDC807F02DBDD08000DFB"
    assert stuff(SLIP, bytes.fromhex(packet)) == bytes.fromhex(raw)


def test_slip_worst_case() -> None:
    """Every octet doubles: 2n and the delimiters."""
    assert len(stuff(SLIP, b"\xc0\xdb" * 50)) == 200


@pytest.mark.parametrize("raw", ["01DB02", "DB", "01DB", "DBDB", "DBC0"])
def test_slip_bad_escape(raw: str) -> None:
    """RFC 1055: only DC and DD may follow; its own code would keep the octet."""
    assert bad(SLIP, raw) == Drop.BAD_STUFFING


# --- RFC 1662 -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("octet", "raw"),
    [
        ("7E", "7D5E"),
        ("7D", "7D5D"),
        ("03", "7D23"),
        ("11", "7D31"),
        ("13", "7D33"),
        ("91", "7DB1"),
        ("93", "7DB3"),
    ],
)
def test_hdlc_examples(octet: str, raw: str) -> None:
    """RFC 1662 section 4.2; a receiver takes them whatever the sender must escape."""
    flipped = (0x03, 0x11, 0x13, 0x91, 0x93, 0x7D, 0x7E)
    every = Unstuffing(Stuffing.FLIP, 0x7D, (), flipped)
    assert stuff(every, bytes.fromhex(octet)) == bytes.fromhex(raw)
    assert unstuff(HDLC, bytes.fromhex(raw)) == bytes.fromhex(octet)


def test_hdlc_all_control_characters() -> None:
    """RFC 1662: a frame with every control character escaped."""
    control = Unstuffing(Stuffing.FLIP, 0x7D, (), (*range(32), 0x7D, 0x7E))
    packet = bytes.fromhex("FF03C02101010004D1B5")
    raw = bytes.fromhex("FF7D23C0217D217D217D207D24D1B5")
    assert stuff(control, packet) == raw
    assert unstuff(control, raw) == packet


@pytest.mark.parametrize("raw", ["7D", "01027D", "7D5E7D"])
def test_hdlc_abort(raw: str) -> None:
    """RFC 1662 section 4.3: an escape just before the closing flag."""
    assert bad(HDLC, raw) == Drop.ABORTED


def test_hdlc_escaped_escape_is_no_abort() -> None:
    """The octet after an escape is data, whatever it is: 7D 7D stands for 5D."""
    assert unstuff(HDLC, b"\x7d\x7d") == b"\x5d"
