"""What nodes hear of every kind of upset, against a plain receiver, bit by bit."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire import plain_receiver

from bench.base.columns import FLAW, RUN, Flaw, Line
from bench.profile.model import Bus
from bench.trial.upset.line import Hearing
from bench.wire.characters import write_levels
from bench.wire.waveform import Pen, Track, characters_of

if TYPE_CHECKING:
    from bench.trial.upset.line import Heard

BUS = Bus(baud=3_000_000)
GROUPS = 6


def traffic(random: Random, on: Bus = BUS) -> Track:
    """Some groups of characters with idle time between, one of them with a break."""
    octets, runs, flaws, ns = [], [], [], 5000
    for group in range(GROUPS):
        count = random.randint(2, 6)
        if group == 2:
            runs.append((len(octets), ns, 0))
            flaws.append((len(octets), 9000, Flaw.BREAK))
            octets.append(0)
            ns += 9000 + 2000
        runs.append((len(octets), ns, 0))
        octets += [random.randrange(256) for _ in range(count)]
        ns += on.pitch.at(count) + random.choice([1, 2000, 5000, 9000])
    rows, marks = np.array(runs, RUN), np.array(flaws, FLAW)
    line = Line(np.array(octets, np.uint8), rows, marks, 0, ns + 20_000)
    return Track(line, on)


def rows(track: Track) -> list[tuple[int, int, int, int]]:
    """(start, octet, kind, length) of every character."""
    return [
        (track.start_ns(at), int(track.line.octets[at]), *track.flaw(at))
        for at in range(len(track))
    ]


def drawn(track: Track) -> list[tuple[int, int]]:
    """All of a line as levels."""
    return list(Pen(BUS).draw(track, 0, len(track)))


def spliced(
    sent: list[tuple[int, int]],
    other: list[tuple[int, int]],
    from_ns: int,
    good_ns: int,
) -> list[tuple[int, int]]:
    """Other levels in the place of some that were sent; none of it shared with ours."""
    instants = {ns for ns, _ in (*sent, *other)} | {from_ns, good_ns}
    changes, now = [], 1
    for ns in sorted(instants):
        source = other if from_ns <= ns < good_ns else sent
        level = plain_receiver.level(source, ns)
        if level != now:
            changes.append((ns, level))
            now = level
    return changes


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from(["low", "idle", "swapped", "half", "double", "fast"]),
    st.randoms(use_true_random=False),
)
def test_heard_as_by_the_plain_receiver(kind: str, random: Random) -> None:
    """From the first character to the last, whatever the upset and its instants."""
    track = traffic(random)
    end_ns = track.end_ns(len(track) - 1)
    from_ns = random.randrange(4000, end_ns - 20_000)
    good_ns = from_ns + random.randrange(1000, 25_000)
    hearing, sent = Hearing(track, BUS), drawn(track)
    if kind in ("low", "idle"):
        level = int(kind == "idle")
        heard = hearing.held(level, from_ns, good_ns)
        other = [(0, level)]
    elif kind == "swapped":
        heard = hearing.swapped(from_ns, good_ns)
        other = [(0, 0), *((ns, 1 - level) for ns, level in sent)]
    else:
        baud = round(BUS.baud * {"half": 0.5, "double": 2, "fast": 1.1}[kind])
        heard = hearing.at_baud(baud, from_ns, good_ns)
        first = track.ended_by(from_ns)
        octets = track.line.octets[first:].tolist() * 20
        other = write_levels(octets, characters_of(BUS, baud), from_ns)
    plain = plain_receiver.hear(spliced(sent, other, from_ns, good_ns), BUS.baud)
    ours = rows(heard.track)
    if heard.in_step_ns is None:
        # Nothing is asked of what comes after; up to there it is the same.
        assert plain[: len(ours)] == ours
        return
    assert plain == ours
    _look_at(heard, track, from_ns, good_ns)


@pytest.mark.parametrize(
    ("kind", "seed"), [("double", 56), ("half", 369), ("fast", 688), ("double", 749)]
)
def test_start_bit_cut_short_at_the_seam(kind: str, seed: int) -> None:
    """A start bit of the upset that the line as sent cuts short, low in its middle."""
    test_heard_as_by_the_plain_receiver.hypothesis.inner_test(kind, Random(seed))


def test_break_goes_on_at_the_seam() -> None:
    """A break that would end where an upset begins, with the line low, goes on."""
    test_heard_as_by_the_plain_receiver.hypothesis.inner_test("double", Random(5507))


def _look_at(heard: Heard, track: Track, from_ns: int, good_ns: int) -> None:
    """What is said of places and instants fits what was heard."""
    assert (heard.from_ns, heard.good_ns) == (from_ns, good_ns)
    assert heard.in_step_ns is not None
    assert heard.in_step_ns >= good_ns
    assert heard.track.start_ns(heard.step_at) == heard.in_step_ns
    places = heard.sent_at(np.arange(len(heard.track)))
    assert list(places) == sorted(places)
    before, after = heard.first, heard.step_at
    assert list(places[:before]) == list(range(before))
    assert list(places[after:]) == list(range(heard.again, len(track)))
    for at in range(before, after):
        start = heard.track.start_ns(at)
        sent = int(places[at])
        assert sent == 0 or track.start_ns(sent) <= start
        assert sent + 1 == len(track) or track.start_ns(sent + 1) > start


@settings(deadline=None, max_examples=40)
@given(st.booleans(), st.randoms(use_true_random=False))
def test_nodes_that_begin(off: bool, random: Random) -> None:
    """Switched on or reset: heard from there on by a receiver that knows nothing."""
    track = traffic(random)
    ns = random.randrange(4000, track.end_ns(len(track) - 1) - 20_000)
    if ns in {at for at, _ in drawn(track)}:
        ns += 1  # a fall at this very instant is not seen by either
    heard = Hearing(track, BUS).begun(ns, off=off)
    assert (heard.reset_ns, heard.off) == (ns, off)
    rest = [change for change in drawn(track) if change[0] > ns]
    low = plain_receiver.level(drawn(track), ns) == 0
    if low:
        # Nothing is read before the line has been high.
        while rest and rest[0][1] == 0:
            rest.pop(0)
        rest = rest[1:]
    plain = plain_receiver.hear(rest, BUS.baud)
    first = 0 if off else heard.first
    ours = rows(heard.track)[first:]
    if heard.in_step_ns is None:
        plain = plain[: len(ours)]
    assert ours == plain
    before = [row for row in rows(track) if row[0] < ns]
    assert rows(heard.track)[:first] == before[:first]
    assert first in (0, len(before), len(before) - 1)


def test_silence_takes_whole_characters() -> None:
    """All that starts in it is gone, and nothing else is touched."""
    track = traffic(Random(4))
    from_ns, good_ns = track.start_ns(5), track.start_ns(20)
    heard = Hearing(track, BUS).silent(from_ns, good_ns)
    assert rows(heard.track) == [*rows(track)[:5], *rows(track)[20:]]
    assert (heard.in_step_ns, heard.in_step) == (good_ns, 0)


def test_undisturbed() -> None:
    """Everything as it was sent, on the exact grid."""
    track = traffic(Random(5))
    heard = Hearing(track, BUS).undisturbed()
    assert np.array_equal(heard.track.line.runs, track.line.runs)
    assert np.array_equal(heard.track.line.flaws, track.line.flaws)
    assert np.array_equal(heard.track.line.octets, track.line.octets)


@pytest.mark.parametrize("data_bits", [8, 9])
def test_marks_at_another_baud(data_bits: int) -> None:
    """The sender goes on with what it had to send, its ninth bits included."""
    on = Bus(baud=1_000_000, data_bits=data_bits)
    octets = np.arange(1, 41, dtype=np.uint8)
    flaws = np.zeros(0, FLAW)
    if data_bits == 9:
        flaws = np.array([(at, 0, Flaw.ADDRESS) for at in range(0, 40, 4)], FLAW)
    line = Line(octets, np.zeros(1, RUN), flaws, 0, 10**6)
    # At its own baud it is the same data again, later.
    track = Track(line, on)
    from_ns = track.end_ns(5)
    heard = Hearing(track, on).at_baud(1_000_000, from_ns, from_ns + 100_000)
    first = heard.first
    assert first == 6
    again = [
        (int(heard.track.line.octets[at]), heard.track.flaw(at)[0])
        for at in range(first, first + 5)
    ]
    assert [octet for octet, _ in again] == list(octets[first : first + 5])
    if data_bits == 9:
        marks = [kind == Flaw.ADDRESS for _, kind in again]
        assert marks == [(first + k) % 4 == 0 for k in range(5)]
