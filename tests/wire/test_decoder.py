"""The decoder, case by case: whole, octet by octet, with junk before and after."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pytest
from wire.shorthand import (
    BREAK,
    BROKEN,
    COUNTED,
    ENDLESS,
    FLAGGED,
    MARKED,
    NINTH,
    OPEN,
    PAUSE,
    SILENCE,
    SILENT,
    SLIPPED,
    flawed,
    marked,
    moved,
    o,
    sent,
    short,
)
from wire.streams import decoded, joined, single

from bench.base.columns import Flaw
from bench.wire.decoder import Packet, Resync
from bench.wire.format import Delimiter, Format
from bench.wire.packets import build
from bench.wire.states import INITIAL, Mode, Revealed, mode_after

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True)
class Case:
    """Inputs of one format, and what must come of them."""

    packet: Format
    inputs: list[tuple]
    expected: list[str]
    resync: str = "forward"


JUNK: dict[Delimiter, Callable[[Format], list[tuple]]] = {
    Delimiter.MARKER: lambda _: [o("11 22 5A 33"), flawed(0xA5), SILENCE],
    Delimiter.OCTET: lambda p: [SILENCE, o("22 33", p.delimiting.octets), SILENCE],
    Delimiter.SILENCE: lambda _: [SILENCE, o("11 22"), SILENCE],
    Delimiter.BREAK: lambda _: [o("11 22 34"), SILENCE, o("44"), flawed(0), SILENCE],
    Delimiter.NINTH: lambda _: [o("11 22"), SILENCE, flawed(0x11), BREAK, SILENCE],
}
"""Junk after which a decoder is at rest, as it was at first."""


def places(inputs: list[tuple]) -> int:
    """How many places some input takes up."""
    sizes = {"octets": lambda given: len(given[1]), "flaw": lambda _: 1}
    return sum(sizes.get(given[0], lambda _: 0)(given) for given in inputs)


def three_ways(case: Case) -> None:
    """Whole, octet by octet, and with junk before and after."""
    whole = short(decoded(case.packet, case.resync, joined(case.inputs), ask=False))
    assert whole == case.expected
    assert short(decoded(case.packet, case.resync, single(case.inputs))) == whole

    junk = JUNK[case.packet.delimiting.kind](case.packet)
    around = [*junk, *case.inputs, SILENCE, *junk]
    before = short(decoded(case.packet, case.resync, junk))
    rows = short(decoded(case.packet, case.resync, around))
    assert rows[: len(before)] == before
    later = moved(case.expected, places(junk))
    assert rows[len(before) : len(before) + len(later)] == later
    rest = rows[len(before) + len(later) :]
    assert not [row for row in (*before, *rest) if row.startswith("packet")]


# --- markers --------------------------------------------------------------------------

HELLO = sent(MARKED, 17, b"hello")  # 10 octets: A5 5A 11 05 ... sum
SPOILT = sent(MARKED, 17, b"hello", xor=1)
INNER = sent(MARKED, 18, b"")  # 5 octets
OUTER = sent(MARKED, 17, INNER, xor=1)  # 10 octets, with a sound packet inside
LONG = bytes.fromhex("A55A 11 09")  # a length beyond the most

MARKER_CASES = {
    "back to back": Case(
        MARKED,
        [o(HELLO, INNER)],
        ["begun 0", "packet 0-10 to 17", "begun 10", "packet 10-15 to 18"],
    ),
    "the marker's first octet twice": Case(
        MARKED, [o("A5", HELLO)], ["begun 0", "begun 1", "packet 1-11 to 17"]
    ),
    "bad check": Case(
        MARKED,
        [o(SPOILT, HELLO)],
        ["begun 0", "BAD_CHECK 0-10 to 17", "begun 10", "packet 10-20 to 17"],
    ),
    "bad check, forward: what was inside is lost": Case(
        MARKED,
        [o(OUTER, HELLO)],
        ["begun 0", "BAD_CHECK 0-10 to 17", "begun 10", "packet 10-20 to 17"],
    ),
    "bad check, rescan: what was inside is found": Case(
        MARKED,
        [o(OUTER, HELLO)],
        [
            "begun 0",
            "BAD_CHECK 0-10 to 17",
            "begun 4",
            "packet 4-9 to 18",
            "begun 10",
            "packet 10-20 to 17",
        ],
        "rescan",
    ),
    "bad length, told at the head's end": Case(
        MARKED,
        [o(LONG, HELLO)],
        ["begun 0", "BAD_LENGTH 0-4 to 17", "begun 4", "packet 4-14 to 17"],
    ),
    "bad length, timeout: deaf until a silence": Case(
        MARKED,
        [o(LONG, HELLO), PAUSE, o(HELLO), SILENCE, o(HELLO)],
        ["begun 0", "BAD_LENGTH 0-4 to 17", "begun 24", "packet 24-34 to 17"],
        "timeout",
    ),
    "flaw inside": Case(
        MARKED,
        [o(HELLO[:6]), flawed(0x6C), o(HELLO[7:], HELLO)],
        ["begun 0", "LINE_ERROR 0-7 to 17", "begun 10", "packet 10-20 to 17"],
    ),
    "flaw inside, before the address": Case(
        MARKED, [o("A5 5A"), flawed(0x11), o("00 11")], ["begun 0", "LINE_ERROR 0-3"]
    ),
    "a flawed marker octet is none": Case(MARKED, [flawed(0xA5), o(HELLO[1:])], []),
    "a flaw, a break or a gap ends a marker that has begun": Case(
        MARKED,
        [o("A5"), flawed(0x5A), o("A5"), BREAK, o("A5"), PAUSE, o(HELLO)],
        ["begun 0", "begun 2", "begun 4", "begun 5", "packet 5-15 to 17"],
    ),
    "a break inside": Case(
        MARKED,
        [o(HELLO[:7]), BREAK, o(HELLO)],
        ["begun 0", "LINE_ERROR 0-8 to 17", "begun 8", "packet 8-18 to 17"],
    ),
    "a pause inside": Case(
        MARKED,
        [o(HELLO[:7]), PAUSE, o(HELLO)],
        ["begun 0", "PAUSE 0-7 to 17", "begun 7", "packet 7-17 to 17"],
    ),
    "a pause just after the marker": Case(
        MARKED,
        [o("A5 5A"), PAUSE, o("11 00 11", HELLO)],
        ["begun 0", "PAUSE 0-2", "begun 5", "packet 5-15 to 17"],
    ),
    "as long as allowed is no pause": Case(
        MARKED,
        [o(HELLO[:7]), ("gap", 100), o(HELLO[7:])],
        ["begun 0", "packet 0-10 to 17"],
    ),
    "a silence inside, timeout: it serves": Case(
        MARKED,
        [o(HELLO[:7]), SILENCE, o(HELLO)],
        ["begun 0", "PAUSE 0-7 to 17", "begun 7", "packet 7-17 to 17"],
        "timeout",
    ),
    "a pause inside, rescan: the marker within what was seen": Case(
        MARKED,
        [o("A5 5A A5 5A"), PAUSE, o(INNER)],
        [
            "begun 0",
            "BAD_LENGTH 0-4 to 165",
            "begun 2",
            "PAUSE 2-4",
            "begun 4",
            "packet 4-9 to 18",
        ],
        "rescan",
    ),
}


# --- delimiter octets -----------------------------------------------------------------

PLAIN = sent(SLIPPED, 17, b"\xc0\xdb!")  # 9 octets: 11 03 DB DC DB DD 21 sum C0
STUFFED = {
    "empty packets are nothing": Case(
        SLIPPED,
        [o("C0 C0", PLAIN, "C0", PLAIN)],
        ["begun 2", "packet 2-11 to 17", "begun 12", "packet 12-21 to 17"],
    ),
    "bad escape": Case(
        SLIPPED,
        [o("01 DB 02 C0", PLAIN)],
        ["begun 0", "BAD_STUFFING 0-4", "begun 4", "packet 4-13 to 17"],
    ),
    "too short": Case(
        SLIPPED,
        [o("11 00 C0", PLAIN)],
        ["begun 0", "TOO_SHORT 0-3 to 17", "begun 3", "packet 3-12 to 17"],
    ),
    "a length that is not the payload's": Case(
        SLIPPED,
        [o("11 02 01 14 C0", PLAIN)],
        ["begun 0", "BAD_LENGTH 0-5 to 17", "begun 5", "packet 5-14 to 17"],
    ),
    "flaw: the next delimiter ends the damage": Case(
        SLIPPED,
        [o("11"), flawed(3), o(PLAIN[2:], PLAIN)],
        ["begun 0", "LINE_ERROR 0-2", "begun 9", "packet 9-18 to 17"],
    ),
    "a flaw at the very beginning": Case(
        SLIPPED,
        [flawed(0x11), o(PLAIN[1:], PLAIN)],
        ["begun 0", "LINE_ERROR 0-1", "begun 9", "packet 9-18 to 17"],
    ),
    "a flawed delimiter is none": Case(
        SLIPPED,
        [o(PLAIN[:-1]), flawed(0xC0), o(PLAIN, PLAIN)],
        ["begun 0", "LINE_ERROR 0-9", "begun 18", "packet 18-27 to 17"],
    ),
    "a pause serves as a delimiter": Case(
        SLIPPED,
        [o("11 03"), PAUSE, o(PLAIN)],
        ["begun 0", "PAUSE 0-2", "begun 2", "packet 2-11 to 17"],
    ),
    "but not after a line error": Case(
        SLIPPED,
        [o("11"), flawed(3), PAUSE, o(PLAIN, PLAIN)],
        ["begun 0", "LINE_ERROR 0-2", "begun 11", "packet 11-20 to 17"],
    ),
    "more than the longest": Case(
        SLIPPED,  # 11 octets at most, 22 stuffed
        [o(b"\x01" * 23, "02", "C0", PLAIN)],
        ["begun 0", "BAD_LENGTH 0-23", "begun 25", "packet 25-34 to 17"],
    ),
    "the longest, and its delimiter": Case(
        SLIPPED, [o(b"\x01" * 22, "C0")], ["begun 0", "BAD_LENGTH 0-23 to 1"]
    ),
    "timeout: a delimiter does not help": Case(
        SLIPPED,
        [o("11 00 C0", PLAIN), SILENCE, o(PLAIN)],
        ["begun 0", "TOO_SHORT 0-3 to 17", "begun 12", "packet 12-21 to 17"],
        "timeout",
    ),
    "rescan is forward where there is no marker": Case(
        SLIPPED,
        [o("11 00 C0", PLAIN)],
        ["begun 0", "TOO_SHORT 0-3 to 17", "begun 3", "packet 3-12 to 17"],
        "rescan",
    ),
    "abort": Case(
        FLAGGED,
        [o("11 01 7D 7E", sent(FLAGGED, 17))],
        ["begun 0", "ABORTED 0-4", "begun 4", "packet 4-8 to 17"],
    ),
    "a count past the end": Case(
        COUNTED,
        [o("09 11 00", sent(COUNTED, 17))],
        ["begun 0", "BAD_STUFFING 0-3", "begun 3", "packet 3-8 to 17"],
    ),
}


# --- silences and breaks --------------------------------------------------------------

QUIET = sent(SILENT, 17, b"hi")  # 5 octets
WITHOUT = {
    "silence ends a packet": Case(
        SILENT,
        [o(QUIET), SILENCE, o(QUIET), SILENCE],
        ["begun 0", "packet 0-5 to 17", "begun 5", "packet 5-10 to 17"],
    ),
    "a bad packet costs only itself": Case(
        SILENT,
        [o(QUIET, "00"), SILENCE, o(QUIET), SILENCE],
        ["begun 0", "BAD_LENGTH 0-6 to 17", "begun 6", "packet 6-11 to 17"],
    ),
    "a pause spoils all up to the silence": Case(
        SILENT,
        [o(QUIET[:2]), PAUSE, o(QUIET[2:]), SILENCE, o(QUIET), SILENCE],
        ["begun 0", "PAUSE 0-2 to 17", "begun 5", "packet 5-10 to 17"],
    ),
    "more than the longest, then deaf": Case(
        SILENT,
        [o(QUIET, QUIET, QUIET), PAUSE, o(QUIET), SILENCE, o(QUIET), SILENCE],
        ["begun 0", "BAD_LENGTH 0-12 to 17", "begun 20", "packet 20-25 to 17"],
    ),
    "flaw, then deaf": Case(
        SILENT,
        [flawed(0x11), o(QUIET), SILENCE, o(QUIET), SILENCE],
        ["begun 0", "LINE_ERROR 0-1", "begun 6", "packet 6-11 to 17"],
    ),
    "break, head, payload": Case(
        BROKEN,
        [BREAK, o(QUIET, "77"), BREAK, PAUSE, o(QUIET)],
        ["begun 0", "packet 0-6 to 17", "begun 7", "packet 7-13 to 17"],
    ),
    "a break in a sized packet": Case(
        BROKEN,
        [BREAK, o(QUIET[:3]), BREAK, BREAK, o(QUIET)],
        [
            "begun 0",
            "LINE_ERROR 0-4 to 17",
            "begun 4",
            "LINE_ERROR 4-5",
            "begun 5",
            "packet 5-11 to 17",
        ],
    ),
    "a break ends DEAF, too": Case(
        BROKEN,
        [BREAK, o("11"), flawed(2), o(QUIET), BREAK, o(QUIET)],
        ["begun 0", "LINE_ERROR 0-3 to 17", "begun 8", "packet 8-14 to 17"],
        "timeout",
    ),
    "a bad length after a break": Case(
        BROKEN,
        [BREAK, o("11 09", QUIET), BREAK, o(QUIET)],
        ["begun 0", "BAD_LENGTH 0-3 to 17", "begun 8", "packet 8-14 to 17"],
    ),
    "a pause in a sized packet": Case(
        BROKEN,
        [BREAK, o(QUIET[:3]), PAUSE, o(QUIET[3:])],
        ["begun 0", "PAUSE 0-4 to 17"],
    ),
    "break to break, break to silence": Case(
        ENDLESS,
        [BREAK, o(QUIET), BREAK, o(QUIET), SILENCE, o(QUIET)],
        ["begun 0", "packet 0-6 to 17", "begun 6", "packet 6-12 to 17"],
    ),
    "a pause between slots does not matter": Case(
        ENDLESS,
        [BREAK, SILENCE, o(QUIET[:3]), PAUSE, o(QUIET[3:]), SILENCE],
        ["begun 0", "packet 0-6 to 17"],
    ),
    "breaks with nothing between them": Case(
        ENDLESS,
        [BREAK, BREAK, o(QUIET), BREAK],
        ["begun 0", "begun 1", "packet 1-7 to 17", "begun 7"],
    ),
    "too many slots": Case(
        ENDLESS,  # 10 octets at most
        [BREAK, o(QUIET, QUIET, QUIET), BREAK, o(QUIET), SILENCE],
        ["begun 0", "BAD_LENGTH 0-12 to 17", "begun 16", "packet 16-22 to 17"],
    ),
}


# --- a ninth bit ----------------------------------------------------------------------

FIRST, REST = marked(QUIET[0]), QUIET[1:]
MARKS = {
    "the marked octet is the packet's first": Case(
        NINTH,
        [FIRST, o(REST, "77"), FIRST, o(REST)],
        ["begun 0", "packet 0-5 to 17", "begun 6", "packet 6-11 to 17"],
    ),
    "without a mark there is no packet": Case(NINTH, [o(QUIET, QUIET)], []),
    "a marked octet in a sized packet": Case(
        NINTH,
        [FIRST, o(REST[:2]), marked(0x12), FIRST, o(REST)],
        [
            "begun 0",
            "LINE_ERROR 0-3 to 17",
            "begun 3",
            "LINE_ERROR 3-4 to 18",
            "begun 4",
            "packet 4-9 to 17",
        ],
    ),
    "a marked octet ends DEAF, too": Case(
        NINTH,
        [FIRST, flawed(2), o(QUIET), FIRST, o(REST)],
        ["begun 0", "LINE_ERROR 0-2 to 17", "begun 7", "packet 7-12 to 17"],
        "timeout",
    ),
    "a break delimits nothing": Case(
        NINTH,
        [FIRST, o(REST[:2]), BREAK, o(REST[2:]), BREAK, FIRST, o(REST)],
        ["begun 0", "LINE_ERROR 0-4 to 17", "begun 7", "packet 7-12 to 17"],
    ),
    "a bad length after an address": Case(
        NINTH,
        [FIRST, o("09", QUIET), FIRST, o(REST)],
        ["begun 0", "BAD_LENGTH 0-2 to 17", "begun 7", "packet 7-12 to 17"],
    ),
    "a bad check, rescan: as forward": Case(
        NINTH,
        [FIRST, o(REST[:-1], "00"), FIRST, o(REST)],
        ["begun 0", "BAD_CHECK 0-5 to 17", "begun 5", "packet 5-10 to 17"],
        "rescan",
    ),
    "a pause after the address": Case(
        NINTH, [FIRST, PAUSE, o(REST)], ["begun 0", "PAUSE 0-1 to 17"]
    ),
    "mark to mark, mark to silence": Case(
        OPEN,
        [FIRST, o(REST), FIRST, o(REST), SILENCE, o(QUIET)],
        ["begun 0", "packet 0-5 to 17", "begun 5", "packet 5-10 to 17"],
    ),
    "a pause does not matter where a mark ends a packet": Case(
        OPEN,
        [FIRST, PAUSE, o(REST[:2]), PAUSE, o(REST[2:]), SILENCE],
        ["begun 0", "packet 0-5 to 17"],
    ),
    "an address and nothing else": Case(
        OPEN,
        [FIRST, FIRST, o(REST), SILENCE],
        ["begun 0", "TOO_SHORT 0-1 to 17", "begun 1", "packet 1-6 to 17"],
    ),
    "more than the longest after an address": Case(
        OPEN,  # 10 octets at most
        [FIRST, o(QUIET, QUIET, QUIET), FIRST, o(REST), SILENCE],
        ["begun 0", "BAD_LENGTH 0-11 to 17", "begun 16", "packet 16-21 to 17"],
    ),
}


@pytest.mark.parametrize("name", MARKER_CASES)
def test_markers(name: str) -> None:
    """Each case three ways."""
    three_ways(MARKER_CASES[name])


@pytest.mark.parametrize("name", STUFFED)
def test_delimiter_octets(name: str) -> None:
    """Each case three ways."""
    three_ways(STUFFED[name])


@pytest.mark.parametrize("name", WITHOUT)
def test_silences_and_breaks(name: str) -> None:
    """Each case three ways."""
    three_ways(WITHOUT[name])


@pytest.mark.parametrize("name", MARKS)
def test_a_ninth_bit(name: str) -> None:
    """Each case three ways."""
    three_ways(MARKS[name])


def test_a_mark_means_nothing_elsewhere() -> None:
    """Where it does not delimit, a marked octet is one like any other."""
    for packet in (MARKED, SLIPPED, SILENT, BROKEN):
        octets = sent(packet, 17, b"\x01\x00")
        before = [BREAK] if packet is BROKEN else []
        plainly = decoded(packet, "forward", [*before, o(octets), SILENCE])
        marks = [*before, *(marked(octet) for octet in octets), SILENCE]
        assert decoded(packet, "forward", marks) == plainly
        assert isinstance(plainly[-1], Packet)


def test_the_address_alone_is_a_packet() -> None:
    """A sized format of one octet is complete at its marked octet."""
    layout = replace(NINTH.layout, head=1, tail=0, most=0, length=None, check=None)
    alone = replace(NINTH, layout=layout)
    events = decoded(alone, "forward", [marked(1), marked(2), o("03"), marked(4)])
    assert short(events) == [
        "begun 0", "packet 0-1 to 1", "begun 1", "packet 1-2 to 2",
        "begun 3", "packet 3-4 to 4",
    ]  # fmt: skip


def test_flaws_taken_as_they_come() -> None:
    """Where the format does not reject them, flawed octets count, breaks are 00h."""
    for packet in (MARKED, SLIPPED, SILENT):
        lenient = replace(
            packet, delimiting=replace(packet.delimiting, reject_flaws=False)
        )
        octets = sent(packet, 17, b"\x01\x00")
        inputs = [("flaw", octet, Flaw.PARITY) for octet in octets]
        place = octets.index(b"\x00")
        inputs[place] = ("flaw", 0x55, Flaw.BREAK)
        events = decoded(lenient, "forward", [*inputs, SILENCE])
        assert short(events) == ["begun 0", f"packet 0-{len(octets)} to 17"]


def test_what_a_packet_event_holds() -> None:
    """All octets unstuffed, the payload, address and number."""
    (_, event) = decoded(SLIPPED, "forward", [o(PLAIN)])
    assert isinstance(event, Packet)
    assert event.raw == build(SLIPPED, address=17, payload=b"\xc0\xdb!")
    assert (event.payload, event.sequence) == (b"\xc0\xdb!", None)


# --- modes ----------------------------------------------------------------------------

MODES = """
            start   OCTET   DELIMITER PAUSE   SILENCE
forward
  MARKER    HUNT    HUNT    HUNT      HUNT    HUNT
  OCTET     INSIDE  HUNT    INSIDE    INSIDE  INSIDE
  SILENCE   INSIDE  DEAF    INSIDE    DEAF    INSIDE
  BREAK     HUNT    HUNT    HUNT      HUNT    HUNT
  NINTH     HUNT    HUNT    HUNT      HUNT    HUNT
timeout
  MARKER    HUNT    DEAF    DEAF      DEAF    HUNT
  OCTET     INSIDE  DEAF    DEAF      DEAF    INSIDE
  SILENCE   INSIDE  DEAF    DEAF      DEAF    INSIDE
  BREAK     HUNT    DEAF    DEAF      DEAF    HUNT
  NINTH     HUNT    DEAF    DEAF      DEAF    HUNT
rescan
  MARKER    HUNT    HUNT    HUNT      HUNT    HUNT
  OCTET     INSIDE  HUNT    INSIDE    INSIDE  INSIDE
  SILENCE   INSIDE  DEAF    INSIDE    DEAF    INSIDE
  BREAK     HUNT    HUNT    HUNT      HUNT    HUNT
  NINTH     HUNT    HUNT    HUNT      HUNT    HUNT
"""
"""The mode at the start, and after a rejection by what revealed the fault."""


def test_modes_drawn() -> None:
    """The tables of modes, drawn."""
    lines = ["            start   OCTET   DELIMITER PAUSE   SILENCE"]
    for resync in Resync:
        lines.append(resync)
        for kind in Delimiter:
            modes = [mode_after(kind, resync, revealed) for revealed in Revealed]
            names = [mode.name for mode in (INITIAL[kind], *modes)]
            a, b, c, d, e = names
            row = f"  {kind.name:<9} {a:<7} {b:<7} {c:<9} {d:<7} {e}"
            lines.append(row)
    assert [line.rstrip() for line in lines] == MODES.strip("\n").split("\n")
    assert Mode.MATCH not in INITIAL.values()
