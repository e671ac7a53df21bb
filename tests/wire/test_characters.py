"""Characters: times, levels, and a receiver that gets them back."""

from __future__ import annotations

from fractions import Fraction
from random import Random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.base.columns import Flaw
from bench.wire.characters import (
    NINTH_BIT,
    Character,
    CharacterFormat,
    CharacterReader,
    Idle,
    LineBreak,
    write_levels,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bench.wire.characters import CharacterEvent

DMX = CharacterFormat(250_000, stop_bits=2)
PARITIES = ("none", "even", "odd", "mark", "space")

FORMATS = st.builds(
    CharacterFormat,
    st.sampled_from([9600, 115_200, 250_000, 1_000_000, 3_000_000, 4_000_000]),
    st.integers(5, 9),
    st.sampled_from(PARITIES),
    st.sampled_from([1, 1.5, 2]),
)


def received(
    reader: CharacterReader, changes: Iterable[tuple[int, int]], end_ns: int
) -> list[CharacterEvent]:
    """All events of some level changes."""
    for change in changes:
        reader.change(*change)
    reader.finish(end_ns)
    return list(reader.events())


# --- times ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("baud", "micros"),
    [
        (9600, (729.1667, 937.5, 1041.6667, 1145.8333, 1250)),
        (115_200, (60.7639, 78.125, 86.8056, 95.4861, 104.1667)),
        (250_000, (28, 36, 40, 44, 48)),
        (1_000_000, (7, 9, 10, 11, 12)),
        (2_000_000, (3.5, 4.5, 5, 5.5, 6)),
        (3_000_000, (2.3333, 3, 3.3333, 3.6667, 4)),
        (4_000_000, (1.75, 2.25, 2.5, 2.75, 3)),
    ],
)
def test_character_times(baud: int, micros: tuple[float, ...]) -> None:
    """(1 + data + parity + stop) / baud, for 7, 9, 10, 11 and 12 bits."""
    formats = (
        CharacterFormat(baud, 5),
        CharacterFormat(baud, 7),
        CharacterFormat(baud, 8),
        CharacterFormat(baud, 8, "even"),
        CharacterFormat(baud, 9, "even"),
    )
    for form, expected in zip(formats, micros, strict=True):
        exact = Fraction(form.character.num, form.character.den) / 1000
        assert round(float(exact), 4) == expected


def test_other_ways_to_a_length() -> None:
    """7E1 has 10 bits, 8N2 11, 8E2 12, and 8N1.5 10.5: MODBUS V1.02 2.5.1 has 11."""
    spellings = {
        CharacterFormat(9600, 7, "even"): 20,
        CharacterFormat(9600, 8, "none", 2): 22,
        CharacterFormat(9600, 8, "even", 2): 24,
        CharacterFormat(9600, 8, "none", 1.5): 21,
    }
    for form, half_bits in spellings.items():
        assert form.half_bits == half_bits


@pytest.mark.parametrize(
    ("baud", "micros"),
    [(9600, 4010.417), (19200, 2005.208), (4800, 8020.833), (1200, 32083.333)],
)
def test_modbus_silence(baud: int, micros: float) -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits."""
    form = CharacterFormat(baud, 8, "even")
    exact = Fraction(7, 2) * Fraction(form.character.num, form.character.den)
    assert round(float(exact / 1000), 3) == micros


def test_no_drift_in_eight_hours() -> None:
    """Characters at 3 Mbaud end where they should, to the nanosecond."""
    form = CharacterFormat(3_000_000)
    characters = 8 * 3600 * 300_000
    assert form.character.at(characters) == 8 * 3600 * 10**9
    assert form.character.at(characters + 1) - form.character.at(characters) == 3333


@pytest.mark.parametrize(
    "values",
    [(0, 8, "none", 1), (9600, 4, "none", 1), (9600, 8, "none", 3)],
)
def test_senseless_formats_are_refused(values: tuple) -> None:
    """No such line."""
    with pytest.raises(ValueError, match="bits"):
        CharacterFormat(*values)


# --- levels ---------------------------------------------------------------------------


def test_levels() -> None:
    """Start low, low bit first, stop high: 8N1 as every UART sends it."""
    assert CharacterFormat(9600).levels(0x55) == (0, 1, 0, 1, 0, 1, 0, 1, 0, 1)
    assert DMX.levels(0x01) == (0, 1, 0, 0, 0, 0, 0, 0, 0, 1, 1)


def test_parity() -> None:
    """MODBUS over Serial Line V1.02, 2.6.1: 1100 0101 has even parity bit 0, odd 1."""
    expected = {"even": 0, "odd": 1, "mark": 1, "space": 0}
    for parity, bit in expected.items():
        form = CharacterFormat(9600, 8, parity)
        assert form.levels(0b1100_0101)[9] == bit
        assert len(form.levels(0)) == 11
    for octet in range(256):
        even = CharacterFormat(9600, 8, "even").levels(octet)
        assert sum(even[1:10]) % 2 == 0


def test_nine_data_bits() -> None:
    """9N1 has 11 bits, the ninth after the octet's highest and before the stop bit."""
    form = CharacterFormat(1_000_000, 9)
    assert form.character.at(1) == 11_000
    assert form.levels(NINTH_BIT | 0x81) == (0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1)
    assert form.levels(0x81) == (0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1)


def test_octets_must_fit() -> None:
    """Seven data bits carry no 80h."""
    with pytest.raises(ValueError, match="does not fit"):
        CharacterFormat(9600, 7).levels(0x80)


def test_level_changes() -> None:
    """At 4 Mbaud a bit is 250 ns; equal bits make no change."""
    changes = write_levels([0x0F], CharacterFormat(4_000_000), start_ns=1000)
    assert changes == [(1000, 0), (1250, 1), (2250, 0), (3250, 1)]


# --- the receiver ---------------------------------------------------------------------


@settings(deadline=None)
@given(FORMATS, st.binary(max_size=30), st.integers(0, 10**9))
def test_there_and_back(form: CharacterFormat, octets: bytes, start_ns: int) -> None:
    """Characters come back, each at its place on the exact grid."""
    octets = bytes(octet % (1 << min(8, form.data_bits)) for octet in octets)
    changes = write_levels(octets, form, start_ns)
    events = received(CharacterReader(form), changes, start_ns + 10**9)
    assert events == [
        Character(form.character.at(k, start_ns), octet)
        for k, octet in enumerate(octets)
    ]


@settings(deadline=None)
@given(st.lists(st.integers(0, 511), max_size=30), st.sampled_from(["none", "odd"]))
def test_marks_there_and_back(data: list[int], parity: str) -> None:
    """Of nine data bits the ninth comes back as a mark beside the octet."""
    form = CharacterFormat(3_000_000, 9, parity)
    events = received(CharacterReader(form), write_levels(data, form), 10**9)
    assert events == [
        Character(
            form.character.at(k), bits & 255, Flaw.ADDRESS if bits > 255 else None
        )
        for k, bits in enumerate(data)
    ]


def test_a_mark_in_a_spoilt_character_is_none() -> None:
    """What is wrong with a character goes before its ninth bit."""
    reader = CharacterReader(CharacterFormat(1_000_000, 9, "even"))
    sent = write_levels([NINTH_BIT | 0x31], CharacterFormat(1_000_000, 9, "odd"))
    assert received(reader, sent, 10**6) == [Character(0, 0x31, Flaw.PARITY)]


def test_a_long_stream_does_not_drift() -> None:
    """20,000 characters at 3 Mbaud, back to back: all read, the last one in place."""
    octets = Random(3).randbytes(20_000)
    form = CharacterFormat(3_000_000)
    events = received(CharacterReader(form), write_levels(octets, form), 10**9)
    assert bytes(event.octet for event in events) == octets
    assert events[-1].start_ns == 19_999 * 10_000 // 3


@settings(deadline=None)
@given(st.randoms(use_true_random=False))
def test_any_split_gives_the_same_events(random: Random) -> None:
    """`until` at any instants, `events` at any time, changes that are none."""
    form = CharacterFormat(1_000_000, 8, random.choice(PARITIES), 1)
    changes, level, now = [], 1, 0
    for _ in range(random.randint(0, 40)):
        now += random.choice((0, 1, 499, 500, 501, 1000, 3000, 10_000, 11_001, 60_000))
        level = 1 - level
        changes.append((now, level))
    end = now + random.choice((0, 500, 20_000))
    options = {"idle_ns": 5000, "break_ns": random.choice((None, 20_000))}
    whole = received(CharacterReader(form, **options), changes, end)

    reader = CharacterReader(form, **options)
    events, now = [], 0
    for time_ns, level in changes:
        while random.random() < 0.5:
            now = random.randint(now, time_ns)
            reader.until(now)
            if random.random() < 0.5:
                events += reader.events()
        reader.change(time_ns, level)
        if random.random() < 0.2:
            reader.change(time_ns, level)
        now = time_ns
    reader.finish(end)
    assert [*events, *reader.events()] == whole


def test_parity_errors() -> None:
    """One data bit turned over: the data as sampled, and a flaw."""
    sent = CharacterFormat(1_000_000, 8, "odd")
    for parity, flaw in (("odd", None), ("even", Flaw.PARITY)):
        reader = CharacterReader(CharacterFormat(1_000_000, 8, parity))
        events = received(reader, write_levels([0x31, 0x00], sent), 10**6)
        assert events == [Character(0, 0x31, flaw), Character(11_000, 0x00, flaw)]


def test_framing_error() -> None:
    """Two stop bits too early: the sender's next start bit where the stop should be."""
    reader = CharacterReader(CharacterFormat(1_000_000, 8))
    # 7 data bits 101 0101, then a stop bit, then at once a start bit.
    sent = write_levels([0x55, 0x7F], CharacterFormat(1_000_000, 7))
    events = received(reader, sent, 10**6)
    assert events[0] == Character(0, 0xD5, Flaw.FRAMING)


def test_nothing_is_read_in_a_low_after_a_framing_error() -> None:
    """The receiver waits for the line to rise before it takes another start bit."""
    form = CharacterFormat(1_000_000)
    # 0Fh with its stop bit low and the line low for 3 bits more, then 33h.
    changes = [(0, 0), (1000, 1), (5000, 0), (12_500, 1)]
    changes += write_levels([0x33], form, 20_000)
    events = received(CharacterReader(form), changes, 10**6)
    assert events == [Character(0, 0x0F, Flaw.FRAMING), Character(20_000, 0x33)]


@pytest.mark.parametrize("low_ns", [1, 250, 499, 500])
def test_a_glitch_is_no_start_bit(low_ns: int) -> None:
    """The line must still be low in the middle of the start bit, here 500 ns."""
    form = CharacterFormat(1_000_000)
    changes = [(100, 0), (100 + low_ns, 1), *write_levels([0xA7], form, 700)]
    events = received(CharacterReader(form, idle_ns=1), changes, 50_000)
    # The glitch does not end the idle time, either.
    assert events == [Idle(0, 700), Character(700, 0xA7), Idle(10_700, None)]


def test_a_change_at_the_middle_of_a_bit_counts() -> None:
    """The level at an instant is the level from that instant on."""
    form = CharacterFormat(1_000_000)
    late = [(0, 0), (1500, 1)]
    later = [(0, 0), (1501, 1)]
    (first,) = received(CharacterReader(form), late, 50_000)
    (second,) = received(CharacterReader(form), later, 50_000)
    assert (first, second) == (Character(0, 0xFF), Character(0, 0xFE))


def test_time_goes_forward() -> None:
    """A change before the last is refused."""
    reader = CharacterReader(CharacterFormat(9600))
    reader.until(100)
    with pytest.raises(ValueError, match="99 ns comes after 100 ns"):
        reader.change(99, 0)


# --- breaks ---------------------------------------------------------------------------


@pytest.mark.parametrize("low_us", [88, 92, 176, 300_000])
def test_dmx_break(low_us: int) -> None:
    """ANSI E1.11: 88 us is accepted, 92 us is sent; 176 is usual, 300 ms is absurd.

    The break has its measured length, the slots after it are characters, and the mark
    between them is what is left.
    """
    start, mark = 100_000, 12_000
    first = start + low_us * 1000 + mark
    changes = [(start, 0), (start + low_us * 1000, 1)]
    changes += write_levels([0x00, 0x01, 0x7F, 0xFF, 0x80], DMX, first)
    reader = CharacterReader(DMX, break_ns=88_000, idle_ns=1)
    events = received(reader, changes, first + 300_000)
    assert events[:3] == [
        Idle(0, 100_000),
        LineBreak(start, low_us * 1000),
        Idle(first - mark, mark),
    ]
    assert events[3:-1] == [
        Character(first + 44_000 * k, octet)
        for k, octet in enumerate([0x00, 0x01, 0x7F, 0xFF, 0x80])
    ]
    assert events[-1] == Idle(first + 5 * 44_000, None)


@pytest.mark.parametrize("break_ns", [None, 88_000])
def test_low_for_a_character_is_a_framing_error(break_ns: int | None) -> None:
    """44 us at 250 kbaud 8N2 is a character without stop bits, and no break."""
    reader = CharacterReader(DMX, break_ns=break_ns)
    events = received(reader, [(5000, 0), (49_000, 1)], 200_000)
    assert events == [Character(5000, 0x00, Flaw.FRAMING)]


def test_low_between_a_character_and_the_threshold() -> None:
    """With a threshold of 88 us, 60 us are one framing error; without, a break."""
    changes = [(5000, 0), (65_000, 1)]
    assert received(CharacterReader(DMX, break_ns=88_000), changes, 10**6) == [
        Character(5000, 0x00, Flaw.FRAMING)
    ]
    assert received(CharacterReader(DMX), changes, 10**6) == [LineBreak(5000, 60_000)]


def test_a_zero_is_no_break() -> None:
    """00h is low for nine bits and has its stop bit."""
    events = received(CharacterReader(DMX), write_levels([0, 0], DMX), 10**6)
    assert events == [Character(0, 0), Character(44_000, 0)]


@settings(deadline=None)
@given(st.sampled_from([9600, 115_200, 3_000_000]), st.integers(0, 10**6))
def test_rounding_makes_no_break(baud: int, index: int) -> None:
    """A low of exactly a character, its edges rounded down, is never longer than one.

    At 3 Mbaud it can seem 3334 ns long, when it is 3333 1/3.
    """
    form = CharacterFormat(baud)
    start, end = form.character.at(index), form.character.at(index + 1)
    events = received(CharacterReader(form), [(start, 0), (end, 1)], end + 10**7)
    assert events == [Character(start, 0, Flaw.FRAMING)]


def test_a_break_in_the_middle_of_a_character() -> None:
    """Its stop bit is low: a framing error, and then the break, from where it fell."""
    form = CharacterFormat(1_000_000)
    changes = [(0, 0), (1000, 1), (4000, 0), (64_000, 1)]
    events = received(CharacterReader(form), changes, 10**6)
    assert events == [Character(0, 0x07, Flaw.FRAMING), LineBreak(4000, 60_000)]


def test_a_break_shorter_than_a_character_is_refused() -> None:
    """It could not be told from 00h."""
    with pytest.raises(ValueError, match="shorter than a character"):
        CharacterReader(DMX, break_ns=43_000)


def test_what_lasts_beyond_the_end_has_no_length() -> None:
    """Not observed is not zero: a low line, a line that was low from the beginning."""
    reader = CharacterReader(DMX, idle_ns=1)
    assert received(reader, [(5000, 0)], 500_000) == [
        Idle(0, 5000),
        LineBreak(5000, None),
    ]
    reader = CharacterReader(DMX, idle_ns=1, level=0)
    changes = [(70_000, 1), *write_levels([0x21], DMX, 90_000)]
    assert received(reader, changes, 134_000) == [
        Idle(70_000, 20_000),
        Character(90_000, 0x21),
    ]


def test_idle_threshold() -> None:
    """An idle time is told from its least length on, not below it."""
    form = CharacterFormat(1_000_000)
    changes = write_levels([1], form) + write_levels([2], form, 25_000)
    for idle_ns, told in ((15_000, 1), (15_001, 0)):
        reader = CharacterReader(form, idle_ns=idle_ns)
        events = received(reader, changes, 35_000)
        assert events.count(Idle(10_000, 15_000)) == told
        assert len(events) == 2 + told
