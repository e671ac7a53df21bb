"""The printable sheet: what it says must be so, and enough to build everything again.

What can be computed is computed here again from the sheet's own words: octets are read
out of its listings, checks are worked out by its steps, and libraries from outside
undo its stuffing.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import cobs.cobs
import numpy as np
import pytest
import sliplib
from crccheck.crc import ALLCRCCLASSES, Crc
from hypothesis import example, given, settings
from hypothesis import strategies as st
from unit.profile.edits import changed
from unit.profile.valid import valid_tables
from unit.report.papers import NAMES, octets_of, paper_profile

from bench.base.columns import Flaw
from bench.base.units import format_ns, format_rate, format_share
from bench.profile import parse_profile, profile_digest, profile_of
from bench.profile.channels import ChannelMap
from bench.report.fields import check_of
from bench.report.handbook import handbook, written_as
from bench.report.handbook.check import polynomial
from bench.report.handbook.document import Facts, Listing, Table, Words, clean, listed
from bench.report.handbook.example import example_of, stuffed_example, written
from bench.report.handbook.profile import printable
from bench.report.sheet import comes_to
from bench.traffic.light import CAUTIONS
from bench.wire.checks import Check, Kind
from bench.wire.decoder import Decoder, Packet
from bench.wire.format import Delimiter, Stuffing, format_of

if TYPE_CHECKING:
    from bench.profile import Profile
    from bench.report.handbook.document import Document, Section


def sheet_of(name: str) -> Document:
    """The sheet of one of the profiles here."""
    return handbook(paper_profile(name), f"nightbench sheet {name}", "1.2")


def text_of(name: str) -> str:
    """The same as text."""
    return written_as("text", paper_profile(name), f"nightbench sheet {name}", "1.2")


def section(document: Document, title: str) -> Section:
    """A section by its title."""
    (found,) = [one for one in document.sections if one.title == title]
    return found


def facts(document: Document, title: str) -> dict[str, str]:
    """All facts of a section."""
    blocks = section(document, title).blocks
    rows = [row for block in blocks if isinstance(block, Facts) for row in block.rows]
    assert len(dict(rows)) == len(rows)
    return dict(rows)


def listings(document: Document, title: str) -> list[Listing]:
    """All listings of a section."""
    blocks = section(document, title).blocks
    return [block for block in blocks if isinstance(block, Listing)]


def read_octets(lines: str) -> bytes:
    """Octets as a reader of the paper takes them."""
    octets = b""
    for octet, times in re.findall(r"([0-9A-F]{2})(?: \((\d+) times\))?", lines):
        octets += bytes([int(octet, 16)]) * int(times or 1)
    return octets


# --- the page -------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_fits_the_page(name: str) -> None:
    """Eighty columns of ASCII, no line ends in a space, and the digest is there."""
    text = text_of(name)
    assert text.isascii()
    lines = text.split("\n")
    assert all(line == line.rstrip() for line in lines)
    assert max(len(line) for line in lines) <= 80
    assert profile_digest(paper_profile(name)) in text
    assert all(caution.split(". ")[0][:50] in text for caution in CAUTIONS.values())


@settings(max_examples=60, deadline=None)
@given(valid_tables())
def test_any_profile(tables: dict[str, Any]) -> None:
    """Every sound profile has a sheet that fits the page, and a page on screen."""
    profile = profile_of(tables, check_octets=octets_of)
    text = written_as("text", profile, "nightbench sheet x", "1.2")
    sheet, _, _ = text.partition("\nTOML, all of it:\n")
    assert max(len(line) for line in sheet.split("\n")) <= 80
    assert written_as("html", profile, "nightbench sheet x", "1.2").isascii()
    again = parse_profile("\n".join(printable(profile)), check_octets=octets_of)
    assert again == profile


@pytest.mark.parametrize("name", NAMES)
def test_profile_can_be_typed_in_again(name: str) -> None:
    """The profile at the end is the profile: its digest is the one at the beginning."""
    (listing,) = listings(sheet_of(name), "The profile")
    again = parse_profile("\n".join(listing.lines), check_octets=octets_of)
    assert again == paper_profile(name)
    assert profile_digest(again) == profile_digest(paper_profile(name))


def test_shared_tables_once() -> None:
    """What all nodes have alike is printed once; what differs, whole."""
    lines = printable(paper_profile("causeway"))
    assert lines.count("[processor.uart]") == 1
    assert "[node.processor.uart]" not in lines
    lines = printable(paper_profile("kinds"))
    assert lines.count("[node.processor.uart]") == 4


def test_signs_that_cannot_be_printed() -> None:
    """Names with line feeds, escapes and turned writing are harmless on paper.

    The profile at the end still holds them, by the escapes that TOML has.
    """
    names = ["ebb\nflood", "\x1b[31mred", "\u202eeert", "a\x00", "潮汐", "e\u0301bb"]
    nodes = [{"name": name, "address": at} for at, name in enumerate(names)]
    tables = changed({"node": nodes, "summary": "tide\r\ntable \u2028 \U000e0001"})
    profile = profile_of(tables, check_octets=octets_of)
    text = written_as("text", profile, "nightbench sheet 'a\nb'", "1.2")
    assert all(sign.isprintable() or sign == "\n" for sign in text)
    assert "潮汐" in text
    again = parse_profile("\n".join(printable(profile)), check_octets=octets_of)
    assert again == profile


@settings(deadline=None, max_examples=30)
@given(st.lists(st.text(min_size=1, max_size=64), min_size=1, max_size=5, unique=True))
def test_any_names(names: list[str]) -> None:
    """Whatever nodes are called: printable lines, and the profile can be read again."""
    nodes = [{"name": name, "address": at} for at, name in enumerate(names)]
    profile = profile_of(changed({"node": nodes}), check_octets=octets_of)
    text = written_as("text", profile, "nightbench sheet x", "1.2")
    assert all(sign.isprintable() or sign == "\n" for sign in text)
    again = parse_profile("\n".join(printable(profile)), check_octets=octets_of)
    assert again == profile


@settings(deadline=None)
@given(st.text(st.sampled_from(" \t\\\"'\nabé\u202e🌊"), max_size=300) | st.text())
@example(" " * 100 + "ebb")
@example("ebb" + " " * 100)
@example("x" * 300)
def test_any_summary(summary: str) -> None:
    """A long string is broken as TOML allows, and is the same when it is read."""
    profile = profile_of(changed({"summary": summary}), check_octets=octets_of)
    lines = printable(profile)
    assert parse_profile("\n".join(lines), check_octets=octets_of) == profile


def test_same_profile_same_octets() -> None:
    """No date and no machine are in it."""
    assert text_of("jetty") == text_of("jetty")


# --- a packet worked out --------------------------------------------------------------


def heard(profile: Profile, line: bytes) -> list[Packet]:
    """The packets that the bench's own decoder finds in what is on the line."""
    form = format_of(profile.packet)
    decoder = Decoder(form, "forward")
    if form.delimiting.kind == Delimiter.BREAK:
        decoder.flaw(0, Flaw.BREAK)
    if form.delimiting.kind == Delimiter.NINTH:
        decoder.flaw(line[0], Flaw.ADDRESS)
        line = line[1:]
    decoder.octets(line)
    decoder.finish()
    return [event for event in decoder.events() if isinstance(event, Packet)]


@pytest.mark.parametrize("name", NAMES)
def test_example_decodes(name: str) -> None:
    """The octets on the line, as printed, are one sound packet for the first node."""
    profile = paper_profile(name)
    document = sheet_of(name)
    unstuffed, line = listings(document, "A packet worked out")
    octets = read_octets(" ".join(line.lines))
    (packet,) = heard(profile, octets)
    assert packet.raw == read_octets(" ".join(unstuffed.lines))
    example = example_of(profile)
    assert packet.payload == example.payload
    assert packet.address == example.address
    if format_of(profile.packet).layout.address is not None:
        assert packet.address == profile.node[0].address
    (table,) = [
        block
        for block in section(document, "A packet worked out").blocks
        if isinstance(block, Table)
    ]
    assert b"".join(read_octets(row[2]) for row in table.rows) == packet.raw


@pytest.mark.parametrize("name", NAMES)
def test_stuffing_by_others(name: str) -> None:
    """Libraries from outside undo the stuffing of what is printed (COBS, RFC 1055)."""
    profile, document = paper_profile(name), sheet_of(name)
    form = format_of(profile.packet)
    titles = [one.title for one in document.sections]
    assert ("Stuffing" in titles) == (form.unstuffing.kind != Stuffing.NONE)
    if "Stuffing" not in titles:
        return
    (listing,) = listings(document, "Stuffing")
    pairs = [tuple(read_octets(line[10:]) for line in listing.lines)]
    pairs += [
        stuffed_example(form),
        (example_of(profile).packet, example_of(profile).line),
    ]
    assert pairs[0] == pairs[1]
    for octets, line in pairs:
        assert unstuffed_outside(form.unstuffing.kind, line) == octets


def unstuffed_outside(kind: Stuffing, line: bytes) -> bytes:
    """What was stuffed, by a library; RFC 1662 by its own words, clause 4.2."""
    if kind == Stuffing.COBS:
        assert line.count(0) == 1
        return bytes(cobs.cobs.decode(line.removesuffix(b"\0")))
    if kind == Stuffing.ESCAPE:
        assert line[:1] == line[-1:] == b"\xc0"
        return bytes(sliplib.decode(line[1:-1]))
    assert line[:1] == line[-1:] == b"\x7e"
    octets, inside = bytearray(), iter(line[1:-1])
    for octet in inside:
        octets.append(next(inside) ^ 0x20 if octet == 0x7D else octet)
    return bytes(octets)


@pytest.mark.parametrize(
    "octets", [b"", b"\0" * 7, b"\0" * 8, b"\x01\x02" * 9, bytes(999)]
)
def test_runs(octets: bytes) -> None:
    """Runs are short on paper and whole again when they are read."""
    assert read_octets(written(octets)) == octets
    assert len(written(bytes(999))) < 20


# --- the check ------------------------------------------------------------------------

CHECKED = [
    name for name in NAMES if check_of(format_of(paper_profile(name).packet).layout)
]

STEPS = re.compile(
    r"the register of (\d+) bits begins with ([0-9A-F]+)h\. For every octet, and for "
    r"every bit of it from the (\w+) on: xor the bit with the (\w+) bit of the "
    r"register, shift the register one place to the (\w+), filling with 0, and if that "
    r"xor was 1, xor the register with ([0-9A-F]+)h\.(?: At the end, (.*?)\.)? That is"
)


def by_the_steps(words: str, octets: bytes) -> int:
    """A CRC as somebody computes it who has the paper and nothing else."""
    match = STEPS.search(words)
    assert match, words
    width, register, poly = int(match[1]), int(match[2], 16), int(match[6], 16)
    low = match[3] == "lowest"
    assert (match[4], match[5]) == (("lowest", "right") if low else ("highest", "left"))
    for octet in octets:
        for bit in range(8) if low else range(7, -1, -1):
            top = register & 1 if low else register >> (width - 1)
            register = register >> 1 if low else register << 1
            register &= (1 << width) - 1
            if top ^ (octet >> bit & 1):
                register ^= poly
    for end in filter(None, (match[7] or "").split(", then ")):
        if end.startswith("turn"):
            register = int(f"{register:0{width}b}"[::-1], 2)
        else:
            xored = re.fullmatch(r"xor it with ([0-9A-F]+)h", end)
            assert xored, end
            register ^= int(xored[1], 16)
    return register


def crc_outside(check: Check, octets: bytes) -> int:
    """The same by a library generated from the catalogue (G. Cook)."""
    for other in ALLCRCCLASSES:
        if other._names[0] == check.name:
            return int(other.calc(octets))
    return int(Crc(*check.parameters).calc(octets))


@pytest.mark.parametrize("name", CHECKED)
def test_check(name: str) -> None:
    """Check value, parameters and the worked check are right, also by the steps."""
    document = sheet_of(name)
    check = check_of(format_of(paper_profile(name).packet).layout)
    assert check is not None
    known = facts(document, "The check")
    (worked,) = listings(document, "The check")
    covered, value, on_line = (line[10:] for line in worked.lines)
    octets = read_octets(covered)
    expected = int(value.removesuffix("h"), 16)
    assert known["check value"].startswith(
        f"{check.compute(b'123456789'):0{digits(check)}X}h"
    )
    assert expected == check.compute(octets) == example_of(paper_profile(name)).check
    order = "little" if "low octet first" in known["on the line"] else "big"
    assert int.from_bytes(read_octets(on_line), order) == expected
    if check.kind == Kind.CRC:
        words = " ".join(
            block.text
            for block in section(document, "The check").blocks
            if isinstance(block, Words)
        )
        for text in (octets, b"123456789", b"", bytes(range(256))):
            assert by_the_steps(words, text) == crc_outside(check, text)
        assert known["polynomial"].endswith(polynomial(check))


def digits(check: Check) -> int:
    """Hexadecimal digits of its value."""
    return -(-check.width // 4)


def test_polynomials() -> None:
    """By their terms, as standards write them.

    ITU-T V.41 and X.25: x^16 + x^12 + x^5 + 1; IEEE 802.3 for the one of 32 bits.
    """
    assert polynomial(Check.named("CRC-16/IBM-SDLC")) == "x^16 + x^12 + x^5 + 1"
    assert polynomial(Check.named("CRC-32/ISO-HDLC")) == (
        "x^32 + x^26 + x^23 + x^22 + x^16 + x^12 + x^11 + x^10 + x^8 + x^7 + x^5 + x^4 "
        "+ x^2 + x + 1"
    )


# --- figures --------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_figures_are_those_of_check(name: str) -> None:
    """Times and loads are the ones that `nightbench check --json` gives."""
    figures = json.loads(json.dumps(comes_to(paper_profile(name))))
    document = sheet_of(name)
    line, timing = figures["line"], facts(document, "Timing on the line")
    assert timing["character"].startswith(format_ns(line["character_ns"]))
    assert timing["frame"].startswith(f"{format_ns(line['frame_ns'])}: ")
    assert timing["own load"].startswith(format_share(line["own_load"]))
    most = format_rate(line["most_frame_rate_hz"], "frames/s")
    assert timing["most frame rate"].startswith(most)
    (table,) = [
        block
        for block in section(document, "Timing on the line").blocks
        if isinstance(block, Table)
    ]
    for row, packet in zip(table.rows, line["packets"], strict=True):
        assert row[0].split()[0] == f"{packet['payload_octets']}"
        assert row[2] == format_ns(packet["packet_ns"])
        assert row[3:] in ((), (format_ns(packet["packet_worst_ns"]),))
    kinds = [f" of kind {letter}" for letter in "ABCDEF"]
    for kind, node in zip(kinds, figures["nodes"], strict=False):
        of = kind if len(figures["nodes"]) > 1 else ""
        receiver = facts(document, f"Receiver and processor{of}")
        output = facts(document, f"Output{of}")
        cost = format_ns(node["interrupt_per_character_ns"])
        assert receiver["cost of a character"].startswith(cost)
        assert receiver["rearranging"].startswith(format_ns(node["rearrange_ns"]))
        assert output["burst"].startswith(format_ns(node["burst_ns"]))
        if node["first_extra_clock_hz"] is not None:
            extra = format_rate(node["first_extra_clock_hz"])
            assert f"from {extra} on" in output["clock stop"]


def test_causeway() -> None:
    """Figures of the shipped profile that were worked out by hand."""
    text = text_of("causeway")
    for line in (
        "check     -           2       2          see below, low octet first     no",
        "3840 octets  3848        9.62 ms",
        "7     3360         3839        7",
        "burst                 15.36 ms: 3840 clocks at 250 kHz, then 500 us to latch",
        "own load              76.96 % of the line's time",
        "termination           120 Ohm, at each end of the cable",
        "harbour-end  4        04h",
        "latency               25 ms at most, from a packet's last bit to shown",
        "nightbench sheet causeway",
    ):
        assert f"\n{line}\n" in text


def test_standards() -> None:
    """The public standards, as their sheets state them.

    ANSI E1.11: 250 kbit/s, slots of 44 us, break 92 us, mark 12 us, 513 slots in all;
    MODBUS over Serial Line V1.02: 3.5 and 1.5 characters of 11 bits at 19 200 baud.
    """
    dmx = facts(sheet_of("dmx512"), "The line")
    assert dmx["character"].endswith("11 bits, 44 us")
    assert dmx["break"].startswith("92 us")
    assert dmx["mark after break"].startswith("12 us")
    assert facts(sheet_of("dmx512"), "The packet")["whole packet"] == "513 octets"
    modbus = facts(sheet_of("modbus-rtu"), "The line")
    assert modbus["silence"].startswith("2.005 ms (exactly 2005209 ns)")
    assert modbus["pause"].startswith("859.4 us (exactly 859375 ns)")
    assert "a parity bit (even), 1 stop bit" in modbus["character"]
    assert (
        facts(sheet_of("modbus-rtu"), "The check")["on the line"] == "low octet first"
    )


# --- lanes and channels ---------------------------------------------------------------

PLACE = re.compile(
    r"device (\d+) begins with bit (\d+) of the lane, which is bit (\d) of its octet "
    r"(\d+); of lane L that is octet (\d+) x L \+ (\d+) of "
)


@pytest.mark.parametrize("name", NAMES)
def test_devices_lie_where_it_says(name: str) -> None:
    """A device's first channel, set alone, changes the octet that the words name.

    The channel map puts the light in; the words are read by a person.
    """
    document = sheet_of(name)
    output = paper_profile(name).node[0].output
    channels = ChannelMap(paper_profile(name).node[0])
    title = "Channels" if name != "kinds" else "Channels of kind A"
    words = [b.text for b in section(document, title).blocks if isinstance(b, Words)]
    found = [(PLACE.search(text), text) for text in words[1:]]
    assert found
    for match, text in found:
        assert match, text
        device, bit, into, octet, factor, more = map(int, match.groups())
        which = re.match(r"Lanes? (\d+)", text)
        lane = int(which[1]) if which else 0
        assert (octet, into) == divmod(bit, 8)
        assert (factor, more) == (output.lane_octets, octet)
        rows = channels.rows
        mine = (rows["lane"] == lane) & (rows["device"] == device)
        first = np.flatnonzero(mine & (rows["channel"] == 0))
        assert rows["first"][first] == bit
        light = np.zeros((1, len(rows)), np.int64)
        dark = channels.encode(light)[0]
        light[0, first] = channels.full[first]
        changed_octets = np.flatnonzero(channels.encode(light)[0] != dark)
        assert changed_octets[0] == factor * lane + more


def test_lane_and_clock() -> None:
    """The example of a bit: octet 72, its lowest bit, lane 1, clock 8, port bit 0."""
    blocks = section(sheet_of("strobe"), "Output").blocks
    (words,) = [block.text for block in blocks if isinstance(block, Words)]
    assert "the lowest bit of octet 72 of the payload is on lane 1 at clock 8" in words
    assert "as bit 0 of port word 8" in words  # port_bits = [9, 0, 4]
    assert "the last 5 bits of a lane's octets are not sent" in words
    dmx = section(sheet_of("dmx512"), "Output").blocks
    (words,) = [block.text for block in dmx if isinstance(block, Words)]
    assert words.startswith("The node's part of the payload holds 21 octets for lane 0")


def test_what_is_stated_of_cable_and_clocks() -> None:
    """Each stands in its place, and nothing does where it is not stated."""
    document = sheet_of("strobe")
    line = facts(document, "The line")
    assert line["longest branch"] == "0.3 m"
    assert line["rise time"] == "20 ns, 10 % to 90 %"
    assert line["host's baud"] == "48 MHz / (16 x divisor, in parts of 1/8)"
    receiver = facts(document, "Receiver and processor")
    assert receiver["processor clock"] == "64 MHz, up to 1 % off"
    assert receiver["baud divisor"] == "in parts of 1/16, 16 periods in a bit"
    assert receiver["memory for buffers"].endswith("octets")
    output = facts(document, "Output")
    assert output["inputs of the chains"] == (
        "a one from 0.7 of their supply on, supply 5 V"
    )
    plain = facts(sheet_of("causeway"), "The line")
    assert not {"longest branch", "rise time", "host's baud"} & set(plain)


def test_kinds_of_nodes() -> None:
    """Nodes that differ have a section each, and the table says which is which."""
    document = sheet_of("kinds")
    titles = [one.title for one in document.sections]
    for kind in "ABC":
        assert f"Output of kind {kind}" in titles
    (table,) = section(document, "The nodes").blocks
    assert isinstance(table, Table)
    assert [row[-1] for row in table.rows] == ["A", "B", "C", "A"]


# --- words ----------------------------------------------------------------------------


def test_listed() -> None:
    """Words in a row."""
    assert listed(["a"]) == "a"
    assert listed(["a", "b"]) == "a and b"
    assert listed(["a", "b", "c"]) == "a, b and c"


def test_clean() -> None:
    """One line, nothing that cannot be printed, not without end."""
    assert clean("ebb") == "ebb"
    assert "\n" not in clean("a\nb")
    assert len(clean("x" * 5000)) == 200
