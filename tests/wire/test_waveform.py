"""A line as levels: drawn, read again, and read by receivers that are out of step."""

from __future__ import annotations

from itertools import pairwise
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire import plain_receiver

from bench.base.columns import FLAW, RUN, Flaw, Line
from bench.profile.model import Bus
from bench.wire.characters import CharacterFormat, CharacterReader, write_levels
from bench.wire.waveform import (
    Pen,
    Track,
    catch_up,
    characters_of,
    heard,
    joined,
    level_at,
    turned_over,
    window,
)

if TYPE_CHECKING:
    from bench.wire.waveform import Part

BAUDS = [9600, 115_200, 250_000, 1_000_000, 3_000_000, 3_999_971, 4_000_000]

BUSES = st.builds(
    lambda baud, parity, stop, idle: Bus(
        baud=baud, parity=parity, stop_bits=stop, virtual_idle=f"{idle} ns"
    ),
    st.sampled_from(BAUDS),
    st.sampled_from(["none", "even", "odd", "mark", "space"]),
    st.sampled_from([1.0, 1.5, 2.0]),
    st.sampled_from([0, 0, 777]),
)


def bus(baud: int = 1_000_000, **more: object) -> Bus:
    """A bus, 8N1 unless stated."""
    return Bus(baud=baud, **more)


def random_line(random: Random, on: Bus, gap_ns: int = 50_000) -> Line:
    """Some runs of characters, some of them marked, and some breaks between."""
    octets, runs, flaws = [], [], []
    ns, rem = random.randrange(10**6), random.randrange(on.pitch.den)
    for _ in range(random.randint(1, 6)):
        first, count = len(octets), random.randint(1, 9)
        runs.append((first, ns, rem))
        if random.random() < 0.3:
            length_ns = 3 * on.character.at(1) // 2 + random.randrange(10**5)
            octets.append(0)
            flaws.append((first, length_ns, Flaw.BREAK))
            ns, rem = ns + length_ns + random.randint(1, gap_ns), 0
            runs.append((first + 1, ns, rem))
            first += 1
        for at in range(first, first + count):
            octets.append(random.randrange(256))
            if on.data_bits == 9 and random.random() < 0.3:
                flaws.append((at, 0, Flaw.ADDRESS))
        ns, rem = on.pitch.after(count, ns, rem)
        ns += random.randint(0, gap_ns)
    rows = np.array(runs, RUN)
    return Line(np.array(octets, np.uint8), rows, np.array(flaws, FLAW), 0, ns + gap_ns)


def read(changes: list[tuple[int, int]], form: CharacterFormat, end_ns: int) -> Part:
    """What a receiver reads of some changes."""
    reader = CharacterReader(form)
    for change in changes:
        reader.change(*change)
    reader.finish(end_ns)
    return heard(list(reader.events()))


def rows(part: Part) -> list[tuple[int, int, int, int]]:
    """(start, octet, kind, length) of each character of a part of runs of one."""
    flaws = {int(row["at"]): row for row in part.flaws}
    return [
        (
            int(part.runs["start_ns"][at]),
            int(octet),
            int(flaws[at]["kind"]) if at in flaws else 0,
            int(flaws[at]["length_ns"]) if at in flaws else 0,
        )
        for at, octet in enumerate(part.octets)
    ]


def sent_rows(track: Track) -> list[tuple[int, int, int, int]]:
    """The same of a line as it was sent."""
    octets = track.line.octets
    return [
        (track.start_ns(at), int(octets[at]), *track.flaw(at))
        for at in range(len(track))
    ]


# --- times ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("baud", "parity", "stop", "micros"),
    [
        (9600, "none", 1, 1041.666),
        (115_200, "even", 1, 95.486),
        (250_000, "none", 2, 44.0),  # a slot: ANSI E1.11
        (1_000_000, "even", 2, 12.0),
        (4_000_000, "none", 1, 2.5),
    ],
)
def test_characters_follow_each_other(
    baud: int, parity: str, stop: float, micros: float
) -> None:
    """(1 + data + parity + stop) / baud from fall to fall: octets FFh fall once."""
    on = bus(baud, parity=parity, stop_bits=float(stop))
    octets = np.full(3, 0xFF, np.uint8)
    line = Line(octets, np.zeros(1, RUN), np.zeros(0, FLAW), 0, 10**8)
    changes = Pen(on).draw(Track(line, on), 0, 3)
    falls = [ns for ns, level in changes if level == 0]
    if parity == "even":
        falls = falls[::2]  # the parity bit of FFh is low, too
    assert len(falls) == 3
    assert (falls[1] - falls[0]) / 1000 == pytest.approx(micros, abs=0.001)


def test_a_break_and_the_mark_after_it() -> None:
    """ANSI E1.11: at least 92 us low and 12 us high before the first slot."""
    on = bus(250_000, stop_bits=2.0)
    runs = np.array([(0, 0, 0), (1, 104_000, 0)], RUN)
    flaws = np.array([(0, 92_000, Flaw.BREAK)], FLAW)
    line = Line(np.array([0, 0xFF], np.uint8), runs, flaws, 0, 10**6)
    assert list(Pen(on).draw(Track(line, on), 0, 2)) == [
        (0, 0),
        (92_000, 1),
        (104_000, 0),
        (108_000, 1),
    ]


# --- there and back -------------------------------------------------------------------


@settings(deadline=None)
@given(BUSES, st.randoms(use_true_random=False))
def test_an_undisturbed_line_comes_back(on: Bus, random: Random) -> None:
    """Every character, mark and break, at its own start to the nanosecond."""
    track = Track(random_line(random, on), on)
    changes = list(Pen(on).draw(track, 0, len(track)))
    part = read(changes, characters_of(on), track.line.until_ns)
    assert rows(part) == sent_rows(track)


@settings(deadline=None)
@given(st.randoms(use_true_random=False))
def test_marks_come_back(random: Random) -> None:
    """Nine data bits: the ninth is a mark beside the octet."""
    on = bus(3_000_000, data_bits=9)
    track = Track(random_line(random, on), on)
    changes = list(Pen(on).draw(track, 0, len(track)))
    part = read(changes, characters_of(on), track.line.until_ns)
    assert rows(part) == sent_rows(track)


@settings(deadline=None)
@given(BUSES, st.randoms(use_true_random=False))
def test_places_and_instants(on: Bus, random: Random) -> None:
    """How many have started or ended by an instant, and any part of the line."""
    track = Track(random_line(random, on), on)
    starts = [track.start_ns(at) for at in range(len(track))]
    ends = [track.end_ns(at) for at in range(len(track))]
    assert starts == sorted(starts)
    near = [ns + by for ns in (*starts, *ends) for by in (-1, 0, 1)]
    for ns in near:
        assert track.started_by(ns) == sum(start < ns for start in starts)
        assert track.ended_by(ns) == sum(end <= ns for end in ends)
    cuts = sorted(random.randint(0, len(track)) for _ in range(3))
    cuts = [0, *cuts, len(track)]
    whole = joined([track.part(a, b) for a, b in pairwise(cuts)])
    again = Track(Line(whole.octets, whole.runs, whole.flaws, 0, 0), on)
    assert sent_rows(again) == sent_rows(track)


# --- receivers that do not fit --------------------------------------------------------


def survivors(ratio: float, octets: bytes, form: CharacterFormat) -> bool:
    """Whether a receiver reads what a sender of another baud sends back to back."""
    sender = CharacterFormat(
        round(form.baud * ratio), form.data_bits, form.parity, form.stop_bits
    )
    part = read(write_levels(octets, sender), form, 10**9)
    return part.octets.tobytes() == octets and not len(part.flaws)


@pytest.mark.parametrize(
    ("data", "parity", "samples"),
    [(8, "none", 9.5), (8, "even", 10.5), (7, "none", 8.5)],
)
def test_how_far_bauds_may_differ(data: int, parity: str, samples: float) -> None:
    """Half a bit by the middle of the stop bit: 0.5/9.5 = 5.26 % at 8N1.

    (Derived in the trade press, for both ends together.)

    A handbook's one-counter receiver stops at 15.5/320 = 4.84 % (NEC uPD780024AS
    manual), one that samples 16 times a bit at +4.58/-4.64 % (AVR data sheets): both
    within what an ideal one can do.
    """
    form = CharacterFormat(100_000, data, parity)
    random = Random(1)
    octets = bytes(random.randrange(1 << data) for _ in range(300))
    bound = 0.5 / samples
    for share in (-0.99, -0.8, 0.8, 0.99):
        assert survivors(1 + share * bound, octets, form)
    for share in (-1.03, 1.03):
        assert not survivors(1 + share * bound, octets, form)


@pytest.mark.parametrize("ratio", [0.5, 1.1, 2.0])
def test_bauds_of_upsets_are_beyond_that(ratio: float) -> None:
    """Half, double, and a tenth too fast are not read as they were sent."""
    octets = Random(2).randbytes(300)
    assert not survivors(ratio, octets, CharacterFormat(1_000_000))


@settings(deadline=None)
@given(st.integers(0, 200_000), st.randoms(use_true_random=False))
def test_switched_on_in_the_middle(at_ns: int, random: Random) -> None:
    """Where the line idles for a character, a receiver is in step after it."""
    on = bus()
    octets, runs = [], []
    ns = 0
    for _ in range(20):
        count = random.randint(1, 12)
        runs.append((len(octets), ns, 0))
        octets += [random.randrange(256) for _ in range(count)]
        ns += (count + 1) * 10_000  # each group is followed by one idle character
    line = Line(
        np.array(octets, np.uint8), np.array(runs, RUN), np.zeros(0, FLAW), 0, ns
    )
    track = Track(line, on)
    first = track.started_by(at_ns)
    pen = Pen(on)
    before = list(pen.draw(track, track.ended_by(at_ns), first))
    reader = CharacterReader(
        characters_of(on), start_ns=at_ns, level=level_at(before, at_ns)
    )
    for change in before:
        if change[0] > at_ns:
            reader.change(*change)
    events, step = catch_up(reader, track, pen, first, len(track))
    # At the latest with the group after the one that it was switched on in.
    group = int(np.searchsorted(line.runs["first"], first))
    if group + 1 < len(runs):
        assert step is not None
        assert step <= runs[group + 1][0]
    if step is not None:
        assert all(event.start_ns < track.start_ns(step) for event in events)


def test_never_in_step() -> None:
    """55h back to back is a square wave: any fall may be a start bit, for ever."""
    on = bus()
    octets = np.full(400, 0x55, np.uint8)
    line = Line(octets, np.zeros(1, RUN), np.zeros(0, FLAW), 0, 10**9)
    track, pen = Track(line, on), Pen(on)
    reader = CharacterReader(characters_of(on), start_ns=1_500, level=1)
    for change in pen.draw(track, 0, 1):
        if change[0] > 1_500:
            reader.change(*change)
    events, step = catch_up(reader, track, pen, 1, 300)
    assert step is None
    assert {event.octet for event in events} == {0x55}


# --- breaks and other levels ----------------------------------------------------------


def test_a_stuck_line_is_one_break() -> None:
    """Held low for 3 ms: told once, with its length, and nothing else."""
    part = read([(1000, 0), (3_001_000, 1)], CharacterFormat(1_000_000), 10**7)
    assert rows(part) == [(1000, 0, Flaw.BREAK, 3_000_000)]


def test_swapped_wires() -> None:
    """The line idles low: a break up to the first start bit, which is high then."""
    sent = write_levels([0x0F], CharacterFormat(1_000_000), 100_000)
    changes = turned_over(window(sent, 0, 200_000))
    assert changes == [(0, 0), (100_000, 1), (101_000, 0), (105_000, 1), (109_000, 0)]
    part = read(changes, CharacterFormat(1_000_000), 150_000)
    assert rows(part)[0] == (0, 0, Flaw.BREAK, 100_000)


def test_windows() -> None:
    """A window begins with the level that the line has there."""
    changes = [(10, 0), (20, 1), (30, 0)]
    assert window(changes, 15, 30) == [(15, 0), (20, 1)]
    assert window(changes, 20, 31) == [(20, 1), (30, 0)]
    assert window(changes, 0, 10) == [(0, 1)]


# --- against the plain receiver -------------------------------------------------------


@settings(deadline=None, max_examples=200)
@given(
    st.sampled_from(["none", "even", "odd", "mark", "space"]),
    st.sampled_from([5, 7, 8, 9]),
    st.randoms(use_true_random=False),
)
def test_any_levels_as_the_plain_receiver_reads_them(
    parity: str, data: int, random: Random
) -> None:
    """Bit by bit, from the rules: the same starts, octets, flaws and lengths."""
    form = CharacterFormat(3_000_000, data, parity)
    changes, ns, level = [], 1000, 0
    for _ in range(random.randint(0, 40)):
        changes.append((ns, level))
        level = 1 - level
        bits = random.choice([1, 1, 1, 2, 3, 5, 9, 12, 30])
        ns += bits * 10**9 // 3_000_000 + random.randint(-150, 150)
    if changes and changes[-1][1] == 0:
        changes.append((ns, 1))
    part = read(changes, form, ns + 10**6)
    bits = 2 + data + (parity != "none")
    plain = plain_receiver.hear(changes, 3_000_000, data, parity, bits)
    assert rows(part) == plain
