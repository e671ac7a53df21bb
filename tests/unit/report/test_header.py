"""The C header: names that are valid, comments that end, nothing twice."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.profile.edits import changed
from unit.profile.valid import valid_tables
from unit.report.compiled import C99, CPP, complaint, needs_gcc, needs_gpp
from unit.report.papers import NAMES, octets_of, paper_profile

from bench.profile import profile_of
from bench.report.fields import places_of
from bench.report.header import header
from bench.report.header.lines import exact, hexadecimal, number
from bench.report.header.names import (
    LONGEST,
    SIGNIFICANT,
    comment,
    identifiers,
    prefix_of,
)
from bench.wire.format import format_of
from bench.wire.packets import build, read

if TYPE_CHECKING:
    from pathlib import Path

VALID = re.compile(r"[A-Z](?:_?[A-Z0-9])*")
"""A name of C that is reserved neither there nor in C++: no leading underscore, no two
in a row (ISO/IEC 9899:1999, 7.1.3; ISO/IEC 14882, 5.10)."""

HOSTILE = [
    "*/ #error out of the comment",
    "/* into another",
    "a\\",
    "??/",
    "??)??)",
    "line\nfeed",
    "\x1b[31m",
    "tide ~ Flut ~ 潮",
    "Ærøskøbing",
    "naïve",
    "naive",
    "NAIVE",
    "naive_2",
    "潮",
    "汐",
    "🌊",
    "",
    " ",
    "9",
    "_",
    "__attribute__",
    '"); system("',
    "%s%n",
    "a" * 64,
    "a" * 63 + "b",
    "\u202egnp.edoc",
]
"""Names that people, or worse, may give."""


def defined(text: str) -> list[str]:
    """The macros that a header defines."""
    return re.findall(r"^#define (\S+)", text, re.MULTILINE)


def macros(text: str) -> dict[str, str]:
    """The macros with what they stand for, comments taken away."""
    plain = re.sub(r"/\*.*?\*/", "", text)
    rows = re.findall(r"^#define +(\S+) *(.*?) *$", plain, re.MULTILINE)
    return dict(rows)


def header_of(name: str) -> str:
    """The header of one of the profiles here."""
    return header(paper_profile(name), f"nightbench header {name}")


# --- names ----------------------------------------------------------------------------


@settings(deadline=None)
@given(st.lists(st.text(max_size=64), max_size=12))
def test_any_names(names: list[str]) -> None:
    """Whatever nodes are called, names of C come out: valid, different, short enough.

    They follow an underscore, so that a digit may lead.
    """
    result = identifiers(names)
    assert len(result) == len(names) == len(set(result))
    for one in result:
        assert VALID.fullmatch(f"N_{one}")
        assert len(one) <= LONGEST


def test_hostile_names() -> None:
    """The same of names that were chosen to break it."""
    result = identifiers(HOSTILE)
    assert len(set(result)) == len(HOSTILE)
    assert all(VALID.fullmatch(f"N_{one}") for one in result)


def test_names_that_are_as_expected() -> None:
    """Plain names are spelled plainly; the first of two that clash keeps its own."""
    names = ["slack-water", "ebb", "Ebb", "ebb 2", "naïve", "9 o'clock", "潮"]
    assert identifiers(names) == [
        "SLACK_WATER",
        "EBB",
        "EBB_3",
        "EBB_2",
        "NAIVE",
        "9_O_CLOCK",
        "UNNAMED",
    ]


@given(st.from_regex(r"\A[a-z0-9][a-z0-9_-]{0,63}\Z"))
def test_any_prefix(name: str) -> None:
    """Every name of a profile gives a prefix that begins with a letter."""
    prefix = prefix_of(name)
    assert VALID.fullmatch(prefix)
    assert len(prefix) <= LONGEST


@pytest.mark.parametrize(
    ("name", "prefix"),
    [
        ("causeway", "CAUSEWAY"),
        ("a--b__", "A_B"),
        ("3-towers", "P3_TOWERS"),
        ("x" * 64, "X" * LONGEST),
    ],
)
def test_prefix(name: str, prefix: str) -> None:
    """Capitals, single underscores, a letter first, no longer than is told apart."""
    assert prefix_of(name) == prefix


@settings(deadline=None)
@given(st.text(st.sampled_from("*/?\\\n\ré潮\u202e\0 ab"), max_size=20) | st.text())
def test_any_comment(text: str) -> None:
    """A comment is one line of ASCII, ends where it ends, and holds no trigraph."""
    made = comment(text)
    assert made.isascii()
    assert made.isprintable()
    assert made.startswith("/* ")
    assert made.endswith(" */")
    inside = made[2:-2]
    assert "*/" not in inside
    assert "/*" not in inside
    assert "??" not in inside


def test_comment_keeps_what_it_can() -> None:
    """What is harmless stays as it is."""
    assert comment("ebb, 3 m * 2 / 5?") == "/* ebb, 3 m * 2 / 5? */"
    assert comment("flüd") == "/* fl\\xfcd */"


# --- whole headers --------------------------------------------------------------------


def checked(text: str) -> None:
    """What must hold of any header."""
    assert text.isascii()
    assert text.endswith("#endif\n")
    names = defined(text)
    assert all(VALID.fullmatch(name) for name in names)
    assert max(len(name) for name in names) <= SIGNIFICANT
    kinds = re.split(r"^#(?:el)?if \S+_KIND ==.*$", text, flags=re.MULTILINE)
    for kind in kinds[1:] or [""]:
        seen = defined(kinds[0]) + defined(kind)
        assert len(set(seen)) == len(seen)


@pytest.mark.parametrize("name", NAMES)
def test_header(name: str) -> None:
    """Names are valid, and no name means two things."""
    checked(header_of(name))


@settings(max_examples=60, deadline=None)
@given(valid_tables())
def test_any_profile(tables: dict[str, Any]) -> None:
    """The same of random sound profiles."""
    checked(header(profile_of(tables, check_octets=octets_of), "nightbench header x"))


def test_same_profile_same_octets() -> None:
    """Nothing but the profile and the command is in it: no date, no machine."""
    first = header_of("causeway")
    again = header(paper_profile("causeway"), "nightbench header causeway")
    assert first == again
    assert "/*     nightbench header causeway */" in first
    assert macros(first)["CAUSEWAY_PROFILE"] == '"causeway"'


@needs_gcc
@needs_gpp
def test_hostile_nodes(tmp_path: Path) -> None:
    """A profile full of hostile names compiles without a warning."""
    nodes = [
        {"name": name, "address": at}
        for at, name in enumerate((name for name in HOSTILE if name), start=30)
    ]
    tables = changed({"name": "0-", "node": nodes})
    command = "nightbench header '*/ ??/\\' /* \\"
    text = header(profile_of(tables, check_octets=octets_of), command)
    checked(text)
    file = tmp_path / "0.h"
    file.write_text(text, encoding="ascii")
    for compiler, ending in ((C99, "c"), (CPP, "cpp")):
        source = tmp_path / f"x.{ending}"
        source.write_text('#include "0.h"\nint x = P0_NODES;\n')
        assert complaint(compiler, source) == ""


# --- figures --------------------------------------------------------------------------


def test_causeway() -> None:
    """Figures of the shipped profile that were worked out by hand."""
    found = macros(header_of("causeway"))
    expected = {
        "BAUD": "4000000UL",
        "CHARACTER_NS": "2500U",
        "FRAME_NS": "50000000UL",
        "PARITY": "'N'",
        "MARKER_LIST": "{0xA5U, 0x5AU}",
        "ADDRESS_AT": "2U",
        "LENGTH_AT": "4U",
        "LENGTH_BIG_ENDIAN": "1U",
        "PAYLOAD_AT": "6U",
        "CHECK_FROM_END": "2U",
        "CHECK_BIG_ENDIAN": "0U",
        "CHECK_VALUE": "0x4B37U",
        "BROADCAST_0": "0xFFU",
        "PACKET_LONGEST_OCTETS": "4104U",
        "NODE_EBB_ADDRESS": "0x02U",
        "BURST_CLOCKS": "3840U",
        "BURST_NS": "15360000UL",
        "PORT_BUFFER_OCTETS": "3840U",
        "LANE_7_BIT": "7U",
        "MAP_CHANNELS": "12U",
        "MAP_CHANNEL_BITS": "16U",
    }
    assert {key: found[f"CAUSEWAY_{key}"] for key in expected} == expected
    assert "CAUSEWAY_CHECK_AT" not in found  # the payload varies
    assert "CAUSEWAY_CPU_HZ" not in found  # not stated


def test_cycles() -> None:
    """Times in clock cycles: 2.5 us and 500 us at 64 MHz; a fraction is rounded up."""
    found = macros(header_of("strobe"))
    assert found["STROBE_CPU_HZ"] == "64000000UL"
    assert found["STROBE_LATCH_GAP_CYCLES"] == "32000U"
    assert found["STROBE_CHARACTER_CYCLES"] == "160U"
    profile = profile_of(
        changed({"processor.clock": "1 MHz", "bus.baud": "3 Mbaud"}),
        check_octets=octets_of,
    )
    text = header(profile, "x")
    # 10 bits at 3 Mbaud: 3 1/3 us
    assert macros(text)["CAUSEWAY_CHARACTER_NS"] == "3334U"
    assert macros(text)["CAUSEWAY_CHARACTER_CYCLES"] == "4U"
    assert "exactly 3333 1/3 ns, rounded up" in text
    assert "exactly 3 1/3 cycles, rounded up" in text


def test_baud_divisor() -> None:
    """PL011-type manuals (RM0352, table 122): 4 MHz to 76,800 baud is 3 and 16/64."""
    settings = {
        "processor.clock": "4 MHz",
        "processor.uart.oversampling": 16,
        "bus.baud": 76_800,
        "traffic.frame_rate": "1 Hz",
    }
    whole = header(profile_of(changed(settings), check_octets=octets_of), "x")
    assert macros(whole)["CAUSEWAY_UART_DIVISOR"] == "3U"
    assert "CAUSEWAY_UART_DIVISOR_FRACTION" not in macros(whole)
    settings["processor.uart.steps"] = 64
    found = macros(header(profile_of(changed(settings), check_octets=octets_of), "x"))
    assert found["CAUSEWAY_UART_DIVISOR"] == "3U"
    assert found["CAUSEWAY_UART_DIVISOR_FRACTION"] == "16U"
    assert found["CAUSEWAY_UART_DIVISOR_STEPS"] == "64U"
    assert found["CAUSEWAY_UART_OVERSAMPLING"] == "16U"


def test_strobe_and_port_bits() -> None:
    """Lanes are on the bits that the profile says, and so is the strobe."""
    found = macros(header_of("strobe"))
    assert found["STROBE_LANE_BIT_LIST"] == "{9U, 0U, 4U}"
    assert found["STROBE_STROBE_BIT"] == "15U"
    assert found["STROBE_LATCH_STROBE"] == "1U"
    assert found["STROBE_MSB_FIRST"] == "0U"
    # 3 + 20 x 28 bits, 16 bits a word
    assert found["STROBE_PORT_BUFFER_OCTETS"] == f"{563 * 2}U"


def test_channel_map() -> None:
    """Channels by name, and lanes of two maps."""
    found = macros(header_of("layout"))
    assert found["LAYOUT_MAPS"] == "2U"
    assert found["LAYOUT_LANE_MAP_LIST"] == "{0U, 1U, 0U, 0U, 0U, 0U, 1U, 0U}"
    assert found["LAYOUT_CHANNEL_0_RED_FIRST"] == "16U"
    assert found["LAYOUT_CHANNEL_0_RED_MSB_FIRST"] == "0U"
    assert found["LAYOUT_CHANNEL_0_AMBER_INVERTED"] == "1U"
    assert found["LAYOUT_MAP_1_DEVICES"] == "3U"
    assert found["LAYOUT_MAP_1_START_BIT"] == "96U"  # 6 x 32 bits less 3 x 32
    assert found["LAYOUT_MAP_1_CHANNEL_BITS"] == "16U"


def test_sync_and_shared() -> None:
    """A sync address where nodes show on one; a slot where a payload is shared."""
    sync = macros(header_of("sync"))
    assert sync["SYNC_SYNC_ADDRESS"] == "0xFFU"
    assert sync["SYNC_SHOW_ON_SYNC"] == "1U"
    assert sync["SYNC_BLACKOUT_AFTER_NS"] == "3000000000UL"
    assert sync["SYNC_TURNAROUND_NS"] == "40000U"
    assert (sync["SYNC_PARITY"], sync["SYNC_STOP_HALF_BITS"]) == ("'E'", "3U")
    # 1 + 8 + 1 + 1.5 bits at 3 Mbaud: 3 833 1/3 ns
    assert sync["SYNC_CHARACTER_NS"] == "3834U"
    shared = macros(header_of("shared"))
    assert shared["SHARED_NODE_EBB_SLOT_AT"] == "29U"  # the first octet is number 1
    assert shared["SHARED_PAYLOAD_SHARED"] == "1U"


@pytest.mark.parametrize("name", NAMES)
def test_places_are_those_of_the_format(name: str) -> None:
    """Fields read by their places hold what the packet builder put there."""
    profile = paper_profile(name)
    form = format_of(profile.packet)
    layout = form.layout
    for octets in {layout.least, min(layout.least + 5, layout.most), layout.most}:
        payload = bytes(at % 251 for at in range(octets))
        address = None if layout.address is None else profile.node[0].address
        packet = build(form, address=address, payload=payload, sequence=77)
        fields = read(form, packet)
        for place in places_of(profile.packet):
            size = octets if place.octets is None else place.octets
            starts = {place.at} if place.at is not None else set()
            if place.from_end is not None:
                starts.add(len(packet) - place.from_end)
            (start,) = starts
            held = packet[start : start + size]
            field = place.field
            if field.kind == "payload":
                assert held == fields.payload == payload
            elif field.kind == "literal":
                assert held == field.octets
            else:
                assert int.from_bytes(held, field.order) == getattr(fields, field.kind)


# --- constants ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0U"),
        (65535, "65535U"),
        (65536, "65536UL"),
        (2**32 - 1, "4294967295UL"),
        (2**32, "4294967296ULL"),
        (-3, "(-3L)"),
    ],
)
def test_number(value: int, text: str) -> None:
    """Constants are wide enough where int has 16 bits and long has 32."""
    assert number(value) == text


def test_too_wide() -> None:
    """What no type of C99 holds is a bug of ours, not a wrong constant."""
    with pytest.raises(ValueError, match="does not fit 64 bits"):
        hexadecimal(2**64)


def test_exact() -> None:
    """Fractions are written as whole and rest."""
    values = (Fraction(10000, 3), Fraction(1, 3), Fraction(7), Fraction(0))
    assert [exact(value) for value in values] == ["3333 1/3", "1/3", "7", "0"]
