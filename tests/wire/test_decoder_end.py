"""The decoder at the end of its input, in long streams, and what it discarded."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from wire.shorthand import (
    BREAK,
    BROKEN,
    COUNTED,
    ENDLESS,
    MARKED,
    NINTH,
    OPEN,
    PAUSE,
    SILENCE,
    SILENT,
    SLIPPED,
    flawed,
    marked,
    o,
    sent,
    short,
    unsized,
)
from wire.streams import SLIP, decoded, feed

from bench.wire.checks import Check
from bench.wire.decoder import Begun, Decoder, Packet, Resync
from bench.wire.format import CheckRule, Format, Layout, Number

CASES = Path(__file__).parents[1] / "cases"

HELLO = sent(MARKED, 17, b"hello")
INNER = sent(MARKED, 18)
PLAIN = sent(SLIPPED, 17, b"\xc0\xdb!")
QUIET = sent(SILENT, 17, b"hi")


# --- the end, and what is let go ------------------------------------------------------


def test_the_end_is_a_silence() -> None:
    """It ends a packet that silence ends, and spoils one that needs more octets."""
    assert short(decoded(SILENT, "forward", [o(QUIET)])) == [
        "begun 0",
        "packet 0-5 to 17",
    ]
    assert short(decoded(MARKED, "forward", [o(HELLO[:9])])) == [
        "begun 0",
        "PAUSE 0-9 to 17",
    ]


def test_the_end_decides_all_candidates() -> None:
    """With rescan, what a false header held back is parsed after all."""
    false = o("A5 5A 77 08")  # wants 9 octets more
    rows = short(decoded(MARKED, "rescan", [false, o(INNER)]))
    assert rows == ["begun 0", "PAUSE 0-9 to 119", "begun 4", "packet 4-9 to 18"]


def test_nothing_after_the_end() -> None:
    """A decoder that was told the end refuses more."""
    decoder = Decoder(MARKED, "forward")
    decoder.finish()
    for more in (lambda: decoder.octets(b"1"), lambda: decoder.gap(1), decoder.finish):
        with pytest.raises(ValueError, match="nothing after the end"):
            more()


def test_events_come_as_soon_as_they_are_certain() -> None:
    """Nothing waits for the next octet."""
    decoder = Decoder(MARKED, Resync.FORWARD)
    when = {}
    for place, octet in enumerate(HELLO):
        decoder.octets(bytes([octet]))
        when |= {type(event).__name__: place for event in decoder.events()}
    assert when == {"Begun": 0, "Packet": 9}
    assert decoder.next_event() is None


@pytest.mark.parametrize("resync", list(Resync))
@pytest.mark.parametrize(
    "packet", [MARKED, SLIPPED, COUNTED, SILENT, BROKEN, ENDLESS, NINTH, OPEN]
)
def test_memory_is_bounded(packet: Format, resync: Resync) -> None:
    """However long the stream, no more is kept than a packet and what came last.

    Gaps and flaws are not kept at all once they were met.
    """
    random = Random(5)
    decoder = Decoder(packet, resync)
    for _ in range(2000):
        feed(decoder, o(random.choice((QUIET, HELLO, PLAIN, random.randbytes(20)))))
        feed(decoder, random.choice((BREAK, PAUSE, SILENCE, flawed(1), marked(17))))
        for _ in decoder.events():
            pass
        tape = decoder._tape
        assert len(tape._octets) <= packet.longest_raw + 25
        assert not tape._places
    for _ in range(100):
        decoder.gap(101)
        while decoder.next_event() is not None:
            pass
    assert not decoder._tape._places


@pytest.mark.parametrize(
    ("packet", "words"),
    [
        (unsized(MARKED), "how long the packet is"),
        (replace(MARKED, unstuffing=SLIP), "between delimiter octets"),
        (
            replace(SILENT, layout=Layout(0, 0, 0, 0, (), *[None] * 6, None)),
            "one octet",
        ),
    ],
)
def test_formats_that_cannot_be_received(packet: Format, words: str) -> None:
    """Refused at once."""
    with pytest.raises(ValueError, match=words):
        Decoder(packet, "forward")


def test_unknown_policies_are_refused() -> None:
    """There are three."""
    with pytest.raises(ValueError, match="backward"):
        Decoder(MARKED, "backward")


# --- what was discarded ---------------------------------------------------------------


def test_discarded() -> None:
    """Octets in no packet; delimiters between packets are not meant."""
    decoder = Decoder(SLIPPED, "forward")
    decoder.octets(b"\xc0" + PLAIN + b"\xc0\xc0" + PLAIN)
    assert [type(event) for event in decoder.events()] == [Begun, Packet] * 2
    assert decoder.discarded == 0
    decoder.octets(b"\x01\x02\x03\xc0")
    assert len(list(decoder.events())) == 2
    assert decoder.discarded == 4
    decoder.octets(b"\x11")  # may yet become a packet
    assert len(list(decoder.events())) == 1
    assert decoder.discarded == 4
    decoder.finish()
    assert len(list(decoder.events())) == 1
    assert decoder.discarded == 5


def noise() -> tuple[Format, list[bytes]]:
    """Case A23: its format, and its pieces as they arrived."""
    crc = CheckRule(Check.named("CRC-16/MODBUS"), Number(-2, 2, "little"), 2, -2)
    layout = replace(MARKED.layout, tail=2, most=255, check=crc)
    with (CASES / "A23_noise.csv").open() as rows:
        return (
            replace(MARKED, layout=layout),
            [bytes.fromhex(row["hex"]) for row in csv.DictReader(rows)],
        )


@pytest.mark.parametrize("way", ["as it came", "whole", "one by one", "by sevens"])
def test_case_a23(way: str) -> None:
    """Noise that looks like a header costs nothing but itself.

    4 packets, 17 of 64 octets discarded, one bad check; the gaps between arrivals are
    the host's and not the line's, so they are not given.
    """
    packet, pieces = noise()
    stream = b"".join(pieces)
    step = {"whole": 64, "one by one": 1, "by sevens": 7}.get(way)
    if step is not None:
        pieces = [stream[at : at + step] for at in range(0, len(stream), step)]
    decoder = Decoder(packet, "rescan")
    events = []
    for piece in pieces:
        decoder.octets(piece)
        events += decoder.events()
    decoder.finish()
    events += decoder.events()

    assert len(stream) == 64
    packets = [event for event in events if isinstance(event, Packet)]
    assert [(event.address, event.payload) for event in packets] == [
        (0x11, bytes.fromhex("DEADBEEF")),
        (0x12, bytes.fromhex("A55A00")),
        (0x13, b""),
        (0x14, bytes(range(16))),
    ]
    assert decoder.discarded == 17
    bad = [row for row in short(events) if row.startswith("BAD_CHECK")]
    assert len(bad) == 1
    assert bad[0].endswith(f"to {0x15}")
