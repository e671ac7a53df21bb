"""Values between two others: exact, evenly spaced, and short to write."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import UsageError
from bench.base.units import BAUD, DURATION, FREQUENCY, SHARE, Kind
from bench.trial.sweep.scale import Scale, between, scale_of, spread


def plain(kind: Kind | None = BAUD) -> Scale:
    """A scale of whole numbers."""
    return Scale(kind, whole=True)


@given(
    low=st.integers(1, 10**9),
    more=st.integers(10**6, 10**10),
    count=st.integers(2, 200),
    log=st.booleans(),
)
def test_values_are_evenly_spaced(low: int, more: int, count: int, log: bool) -> None:
    """As many as asked, from end to end, each within a hundredth of its place."""
    ends = Fraction(low), Fraction(low + more)
    values = spread(Scale(FREQUENCY, whole=False), ends, count, log=log)
    assert len(values) == count
    assert (values[0], values[-1]) == ends
    assert all(before < after for before, after in pairwise(values))
    for k, value in enumerate(values):
        share = k / (count - 1)
        ideal = low + share * more
        space = more / (count - 1)
        if log:
            ideal = low * (ends[1] / ends[0]) ** share
            space = ideal * (1 - (ends[0] / ends[1]) ** (1 / (count - 1)))
        assert float(value) == pytest.approx(float(ideal), abs=float(space) / 99)


@given(st.integers(1, 10**12), st.sampled_from([BAUD, DURATION, FREQUENCY]))
def test_what_is_written_is_read_again(value: int, kind: Kind) -> None:
    """A value as a profile writes it is that value to the profile."""
    text = Scale(kind, whole=True).text(Fraction(value))
    assert kind.parse(text) == value
    found, worths = scale_of([text], "x")
    assert (found.kind, worths) == (kind, [value])


@given(st.integers(-1000, 1000))
def test_shares_of_either_sign(tenths: int) -> None:
    """An offset in tenths of a percent is written and read as it is."""
    scale, _ = scale_of(["-1 %", "1 %"], "x")
    assert scale.is_share
    value = Fraction(tenths, 1000)
    assert scale_of([scale.text(value)], "x")[1] == [value]


@pytest.mark.parametrize(
    ("texts", "numbers"),
    [
        (["1 Mbaud", "6 Mbaud"], [10**6, 6 * 10**6]),
        (["0.42 us", "2 ms"], [420, 2 * 10**6]),
        (["0", "50 %"], [0, Fraction(1, 2)]),
        (["3", "12.5"], [3, Fraction(25, 2)]),
        (["4 kHz", "2 MHz"], [4000, 2 * 10**6]),
        (["120 µs"], [120_000]),
    ],
)
def test_worths(texts: list[str], numbers: list[int]) -> None:
    """Units say what values are; a bare nought goes with any."""
    assert scale_of(texts, "x")[1] == numbers


@pytest.mark.parametrize(
    ("texts", "fault"),
    [
        (["1 Mbaud", "6 MHz"], "values of two kinds: 6 MHz, expected a baud rate"),
        (["1", "6 Mbaud"], "values of two kinds: 6 Mbaud, expected a bare number"),
        (["1 mbaud"], "prefix or unit in the wrong case: 1 mbaud"),
        (["1 furlong"], "unknown unit: 1 furlong"),
        (["fast"], "not a number: fast"),
        (["1,5 us"], "not a number: 1,5 us"),
        (["1.5 ps"], "not a whole number of ns: 1.5 ps"),
    ],
)
def test_faults(texts: list[str], fault: str) -> None:
    """What is no value is told in one line that names it."""
    with pytest.raises(UsageError) as raised:
        scale_of(texts, "--over x")
    assert str(raised.value).startswith(fault)
    assert "@ --over x" in str(raised.value)


def test_written_in_the_largest_unit() -> None:
    """A person reads 307.8 kHz, not 307800 Hz."""
    assert plain(FREQUENCY).text(Fraction(307_800)) == "307.8 kHz"
    assert plain(DURATION).text(Fraction(90 * 10**9)) == "1.5 min"
    assert Scale(SHARE, whole=False).text(Fraction(1, 200)) == "0.5 %"
    assert Scale(None, whole=False).text(Fraction(13, 4)) == "3.25"


@given(st.integers(1, 10**6), st.integers(2, 10**6), st.booleans())
def test_the_middle_lies_between(low: int, more: int, log: bool) -> None:
    """Halving gets somewhere: a middle leaves at most some six tenths on a side."""
    ends = Fraction(low), Fraction(low + more)
    middle = between(Scale(None, whole=False), *ends, log=log)
    assert ends[0] < middle < ends[1]
    if not log:
        assert 0.4 < (middle - ends[0]) / more < 0.6
