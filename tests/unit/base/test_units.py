"""Quantities: what is read, what is refused and in which words, and the way back."""

from __future__ import annotations

from decimal import Decimal  # noqa: TC003 (hypothesis reads it)
from fractions import Fraction

import pytest
import scipy.constants as si
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import BenchError, UsageError
from bench.base.units import (
    BAUD,
    CURRENT,
    DURATION,
    FREQUENCY,
    LENGTH,
    RESISTANCE,
    SHARE,
    VOLTAGE,
    Kind,
    format_count,
    format_ns,
    format_rate,
    format_share,
    parse_duration,
    shown,
)

KINDS = [BAUD, CURRENT, DURATION, FREQUENCY, LENGTH, RESISTANCE, SHARE, VOLTAGE]
WHOLE = [BAUD, DURATION, FREQUENCY]
REAL = [CURRENT, LENGTH, RESISTANCE, VOLTAGE]


def outcome(kind: Kind, given_: object) -> tuple[float | None, str]:
    """The value, or None and what is said about it."""
    try:
        return kind.parse(given_, "here"), ""
    except BenchError as error:
        return None, str(error)


READ = [
    (DURATION, "12.5 us", 12_500),
    (DURATION, "0.42 us", 420),
    (DURATION, "0.000000001 s", 1),
    (DURATION, "1000 ps", 1),
    (DURATION, "1e3 ns", 1_000),
    (DURATION, "1_000 ns", 1_000),
    (DURATION, "+8us", 8_000),
    (DURATION, " 8 us ", 8_000),
    (DURATION, "8 µs", 8_000),
    (DURATION, "8 μs", 8_000),
    (DURATION, ".5 ms", 500_000),
    (DURATION, "10 min", 600 * 10**9),
    (DURATION, "8h", 28_800 * 10**9),
    (DURATION, "1 d", 86_400 * 10**9),
    (DURATION, "0 s", 0),
    (DURATION, "-0 s", 0),
    (BAUD, "4 Mbaud", 4_000_000),
    (BAUD, "4Mbaud", 4_000_000),
    (BAUD, "115200 Bd", 115_200),
    (BAUD, "38.4 kBd", 38_400),
    (BAUD, "0.25 MBd", 250_000),
    (BAUD, 4_000_000, 4_000_000),
    (BAUD, "115200", 115_200),
    (FREQUENCY, "250 kHz", 250_000),
    (FREQUENCY, "1.19 MHz", 1_190_000),
    (FREQUENCY, "1 GHz", 10**9),
    (FREQUENCY, 20, 20),
    (LENGTH, "20 m", 20.0),
    (LENGTH, "1.2 km", 1_200.0),
    (LENGTH, "15 cm", 0.15),
    (RESISTANCE, "120 Ohm", 120.0),
    (RESISTANCE, "120 Ω", 120.0),
    (RESISTANCE, "120 \N{OHM SIGN}", 120.0),
    (RESISTANCE, "4.7 kΩ", 4_700.0),
    (CURRENT, "5 mA", 5.0),
    (CURRENT, "0.02 A", 20.0),
    (CURRENT, "500 µA", 0.5),
    (VOLTAGE, "3.3 V", 3.3),
    (VOLTAGE, "250 mV", 0.25),
    (SHARE, "15 %", 0.15),
    (SHARE, "15%", 0.15),
    (SHARE, 0.15, 0.15),
    (SHARE, "0.15", 0.15),
    (SHARE, 0, 0.0),
    (SHARE, 1, 1.0),
]

A_DURATION = 'a duration such as "12.5 us"'
A_BAUD = 'a baud rate such as "4 Mbaud" or a whole number'
A_FREQUENCY = 'a frequency such as "250 kHz" or a whole number'
A_SHARE = 'a share such as "15 %" or 0 to 1'
TIMES = "a duration in ps, ns, us, ms, s, min, h, d"
BAUDS = "a baud rate in baud, kbaud, Mbaud, Bd, kBd, MBd"

REFUSED = [
    (DURATION, "1.25 ns", f"not a whole number of ns: 1.25 ns, expected {A_DURATION}"),
    (DURATION, "1500 ps", f"not a whole number of ns: 1500 ps, expected {A_DURATION}"),
    (
        BAUD,
        "4 mbaud",
        (
            f"prefix or unit in the wrong case: 4 mbaud, expected {BAUDS} @ here "
            "(did you mean 4 Mbaud?)"
        ),
    ),
    (
        FREQUENCY,
        "250 KHz",
        (
            "prefix or unit in the wrong case: 250 KHz, expected a frequency in Hz, "
            "kHz, MHz, GHz @ here (did you mean 250 kHz?)"
        ),
    ),
    (
        DURATION,
        "3 MS",
        (
            f"prefix or unit in the wrong case: 3 MS, expected {TIMES} @ here "
            "(did you mean 3 ms?)"
        ),
    ),
    (
        RESISTANCE,
        "120 ohm",
        (
            "prefix or unit in the wrong case: 120 ohm, expected a resistance in Ohm, "
            "kOhm, MOhm, Ω, kΩ, MΩ @ here (did you mean 120 Ohm?)"
        ),
    ),
    (DURATION, "2,5 us", "comma in a number: 2,5 us, expected a decimal point"),
    (DURATION, "1,000 us", "comma in a number: 1,000 us, expected a decimal point"),
    (DURATION, "inf s", f"not a duration: inf s, expected {A_DURATION}"),
    (DURATION, "+inf s", f"not a finite number: +inf s, expected {A_DURATION}"),
    (DURATION, "-nan s", f"not a finite number: -nan s, expected {A_DURATION}"),
    (DURATION, "∞ s", f"not a duration: ∞ s, expected {A_DURATION}"),
    (SHARE, float("inf"), f"not a finite number: inf, expected {A_SHARE}"),
    (SHARE, float("nan"), f"not a finite number: nan, expected {A_SHARE}"),
    (DURATION, "h", f"not a duration: h, expected {A_DURATION}"),
    (LENGTH, "c", 'not a length: c, expected a length such as "20 m"'),
    (DURATION, "t = 4 us", f"not a duration: t = 4 us, expected {A_DURATION}"),
    (DURATION, "1 = 4 us", f"not a duration: 1 = 4 us, expected {A_DURATION}"),
    (DURATION, "4 us extra", f"not a duration: 4 us extra, expected {A_DURATION}"),
    (DURATION, "", f"not a duration, expected {A_DURATION}"),
    (DURATION, "٣ us", f"not a duration: ٣ us, expected {A_DURATION}"),
    (DURATION, "−3 us", f"not a duration: −3 us, expected {A_DURATION}"),
    (DURATION, "-3 us", "out of range: -3 us, expected 0 ns to 1000000000 s"),
    (
        DURATION,
        "1e999999999 s",
        "out of range: 1e999999999 s, expected 0 ns to 1000000000 s",
    ),
    (
        DURATION,
        "1e-999999999 s",
        "out of range: 1e-999999999 s, expected 0 ns to 1000000000 s",
    ),
    (BAUD, "0 baud", "out of range: 0 baud, expected 1 baud to 1000000000000 Mbaud"),
    (SHARE, "110 %", "out of range: 110 %, expected 0 % to 100 %"),
    (SHARE, -0.1, "out of range: -0.1, expected 0 % to 100 %"),
    (SHARE, 15, "out of range: 15, expected 0 % to 100 % @ here (did you mean 15 %?)"),
    (DURATION, "5 sec", f"unknown unit: 5 sec, expected {TIMES}"),
    (DURATION, "4 Mbaud", f"unknown unit: 4 Mbaud, expected {TIMES}"),
    (BAUD, "4 us", f"unknown unit: 4 us, expected {BAUDS}"),
    (LENGTH, "3 feet", "unknown unit: 3 feet, expected a length in mm, cm, m, km"),
    (
        DURATION,
        12.5,
        (
            "no unit: 12.5, expected a duration @ here "
            "(write it with a unit, e.g. '12.5 us')"
        ),
    ),
    (
        DURATION,
        "500",
        (
            "no unit: 500, expected a duration @ here "
            "(write it with a unit, e.g. '12.5 us')"
        ),
    ),
    (
        DURATION,
        0,
        "no unit: 0, expected a duration @ here (write it with a unit, e.g. '12.5 us')",
    ),
    (BAUD, 4e6, f"not a whole number: 4000000.0, expected {A_BAUD}"),
    (BAUD, "4e6", f"not a whole number: 4e6, expected {A_BAUD}"),
    (FREQUENCY, 20.0, f"not a whole number: 20.0, expected {A_FREQUENCY}"),
    (
        FREQUENCY,
        "29.97 Hz",
        f"not a whole number of Hz: 29.97 Hz, expected {A_FREQUENCY}",
    ),
    (BAUD, True, f"not a baud rate: true, expected {A_BAUD}"),
    (SHARE, False, f"not a share: false, expected {A_SHARE}"),
    (DURATION, None, f"not a duration: None, expected {A_DURATION}"),
    (DURATION, ["1 s"], f"not a duration: ['1 s'], expected {A_DURATION}"),
    (DURATION, "3\n\x1b[0m", f"not a duration: 3␣␣[0m, expected {A_DURATION}"),
]


@pytest.mark.parametrize(("kind", "given_", "value"), READ)
def test_reads(kind: Kind, given_: object, value: float) -> None:
    """What a person may write is read exactly, as an int where the kind is whole."""
    read = kind.parse(given_)
    assert read == value
    assert type(read) is type(value)


@pytest.mark.parametrize(("kind", "given_", "message"), REFUSED)
def test_refuses(kind: Kind, given_: object, message: str) -> None:
    """What is ambiguous or wrong is refused, in one line that says what is right."""
    with pytest.raises(UsageError) as caught:
        kind.parse(given_, "here")
    expected = message if " @ here" in message else f"{message} @ here"
    assert str(caught.value) == expected
    assert caught.value.exit_code == 2


WRITTEN = [
    (DURATION, 0, "0 ns"),
    (DURATION, 1, "1 ns"),
    (DURATION, 100, "100 ns"),
    (DURATION, 420, "420 ns"),
    (DURATION, 2_500, "2.5 us"),
    (DURATION, 1_655_172, "1655172 ns"),
    (DURATION, 500_000, "500 us"),
    (DURATION, 90 * 10**9, "90 s"),
    (DURATION, 28_800 * 10**9, "8 h"),
    (DURATION, -2_500, "-2.5 us"),
    (BAUD, 4_000_000, "4 Mbaud"),
    (BAUD, 115_200, "115200 baud"),
    (BAUD, 3_000_001, "3000001 baud"),
    (FREQUENCY, 250_000, "250 kHz"),
    (FREQUENCY, 1_190_000, "1190 kHz"),
    (LENGTH, 20.0, "20 m"),
    (RESISTANCE, 4_700.0, "4700 Ohm"),
    (CURRENT, 5.0, "5 mA"),
    (SHARE, 0.15, "15 %"),
    (SHARE, 1 / 3, "33.33333333333333 %"),
    (SHARE, 0.0, "0 %"),
]


@pytest.mark.parametrize(("kind", "value", "text"), WRITTEN)
def test_writes(kind: Kind, value: float, text: str) -> None:
    """A value is written as the shortest exact text."""
    assert kind.text(value) == text


@pytest.mark.parametrize("kind", WHOLE, ids=lambda kind: kind.base)
@given(data=st.data())
def test_whole_round_trip(kind: Kind, data: st.DataObject) -> None:
    """What is written of a whole number reads back as it, to the last digit."""
    value = data.draw(st.integers(int(kind.least), int(kind.most)))
    assert kind.parse(kind.text(value)) == value


@pytest.mark.parametrize("kind", REAL, ids=lambda kind: kind.written[-1])
@given(value=st.floats(1e-18, 1e18, allow_subnormal=False) | st.just(0.0))
def test_real_round_trip(kind: Kind, value: float) -> None:
    """What is written of a real number reads back as the same float."""
    assert kind.parse(kind.text(value)) == value


@given(value=st.floats(1e-17, 1.0) | st.just(0.0))
def test_share_round_trip(value: float) -> None:
    """A share survives being written in per cent, and being written bare."""
    assert SHARE.parse(SHARE.text(value)) == value
    assert SHARE.parse(value) == value


@given(
    number=st.decimals(0, 10**6, allow_nan=False, places=12),
    unit=st.sampled_from(sorted(DURATION.units)),
)
def test_exact_or_refused(number: Decimal, unit: str) -> None:
    """A time is exactly what is written, or it is refused: never rounded."""
    exact = Fraction(number) * DURATION.units[unit]
    if exact.denominator == 1 and exact <= DURATION.most:
        assert DURATION.parse(f"{number:f} {unit}") == exact.numerator
    else:
        with pytest.raises(UsageError):
            DURATION.parse(f"{number:f} {unit}")


@pytest.mark.parametrize(
    ("kind", "unit", "worth"),
    [
        # The SI Brochure (BIPM, 9th edition), tables 7 and 8, as scipy.constants has
        # them.
        (DURATION, "ps", si.pico * 1e9),
        (DURATION, "ns", si.nano * 1e9),
        (DURATION, "us", si.micro * 1e9),
        (DURATION, "ms", si.milli * 1e9),
        (DURATION, "min", si.minute * 1e9),
        (DURATION, "h", si.hour * 1e9),
        (DURATION, "d", si.day * 1e9),
        (BAUD, "kbaud", si.kilo),
        (BAUD, "MBd", si.mega),
        (FREQUENCY, "kHz", si.kilo),
        (FREQUENCY, "MHz", si.mega),
        (FREQUENCY, "GHz", si.giga),
        (LENGTH, "mm", si.milli),
        (LENGTH, "cm", si.centi),
        (LENGTH, "km", si.kilo),
        (RESISTANCE, "kΩ", si.kilo),
        (RESISTANCE, "MOhm", si.mega),
        (CURRENT, "uA", si.micro / si.milli),
        (CURRENT, "A", 1 / si.milli),
        (VOLTAGE, "mV", si.milli),
    ],
)
def test_worth_of_units(kind: Kind, unit: str, worth: float) -> None:
    """Units and prefixes are worth what the SI says."""
    assert float(kind.units[unit]) == pytest.approx(worth, rel=1e-15)


@given(
    text=st.text(max_size=40)
    | st.from_regex(
        r"\A[+-]?[0-9_.,]{0,12}([eE][+-]?[0-9]{1,20})? ?[a-zA-Zµ%Ω]{0,6}\Z"
    ),
    kind=st.sampled_from(KINDS),
)
def test_any_text(text: str, kind: Kind) -> None:
    """Text gives a value that can be written, or a refusal of one line: no more."""
    value, refusal = outcome(kind, text)
    assert refusal.isprintable()
    if value is not None:
        assert kind.least <= value <= kind.most
        assert kind.parse(kind.text(value)) == value


@given(number=st.integers() | st.floats(), kind=st.sampled_from(KINDS))
def test_any_number(number: float, kind: Kind) -> None:
    """A bare number gives a value in range, or a refusal of one line: no more."""
    value, refusal = outcome(kind, number)
    assert refusal.isprintable()
    if value is not None:
        assert kind.least <= value <= kind.most


def test_number_of_many_digits() -> None:
    """A number too long for Python to write out is refused like any other."""
    with pytest.raises(UsageError, match=r"^out of range: 0xfff"):
        BAUD.parse(16**5000 - 1)


@pytest.mark.parametrize(
    ("text", "ns"), [("10s", 10**10), ("10 min", 6 * 10**11), ("8h", 288 * 10**11)]
)
def test_option_duration(text: str, ns: int) -> None:
    """A time on the command line needs no space."""
    assert parse_duration(text, "--for") == ns


def test_option_fault() -> None:
    """A fault on the command line names the option."""
    with pytest.raises(UsageError, match=r"^no unit: 10, .* @ --for \(write it with"):
        parse_duration("10", "--for")


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (1_655_172, "1.655 ms"),
        (0, "0 s"),
        (1, "1 ns"),
        (-1_500, "-1.5 us"),
        (999_999, "1 ms"),
        (12_345_678_901, "12.35 s"),
        (59_999_999_999, "1 min"),
        (75 * 10**9, "1 min 15 s"),
        (5_400 * 10**9, "1 h 30 min"),
        (28_800 * 10**9, "8 h"),
        (-3_601 * 10**9, "-1 h 1 s"),
    ],
)
def test_shows_times(ns: int, text: str) -> None:
    """A time is shown with four significant digits, long ones in whole seconds."""
    assert format_ns(ns) == text


def test_shows_numbers() -> None:
    """Rates, shares and counts are shown rounded, in full and without an exponent."""
    assert format_ns(1_655_172, digits=2) == "1.7 ms"
    assert format_rate(4e6, "baud") == "4 Mbaud"
    assert format_rate(1_190_476) == "1.19 MHz"
    assert format_rate(25.98752, "frames/s") == "25.99 frames/s"
    assert format_rate(0.0, "frames/s") == "0 frames/s"
    assert format_rate(3_456_000.4, "packets/s") == "3\xa0456\xa0000 packets/s"
    assert format_share(0.7696) == "76.96 %"
    assert format_share(8.7e-7) == "0.000087 %"
    assert format_count(9_999) == "9999"
    assert format_count(-3_456_000) == "-3\xa0456\xa0000"


def test_quotes_values() -> None:
    """A quoted value is one short line that a terminal may print."""
    assert shown(True) == "true"
    assert shown("a\r\n\x1b\u202e") == "a␣␣␣␣"
    assert shown("x" * 99) == "x" * 59 + "…"
    assert shown(16**5000).startswith("0x1000")
