"""How close: a share of the value, or a distance, as it is typed."""

from __future__ import annotations

from fractions import Fraction

import pytest

from bench.base.errors import UsageError
from bench.trial.edge.within import Within, within_of
from bench.trial.sweep.scale import scale_of


def within(text: str | None, low: str, high: str) -> Within:
    """A resolution between two values."""
    scale, (least, most) = scale_of([low, high], "x")
    return within_of(text, scale, least, most)


@pytest.mark.parametrize(
    ("text", "ends", "made"),
    [
        (None, ("250 kHz", "2 MHz"), Within(Fraction(1, 100))),
        ("1%", ("250 kHz", "2 MHz"), Within(Fraction(1, 100))),
        ("0.5 %", ("250 kHz", "2 MHz"), Within(Fraction(1, 200))),
        ("1 kHz", ("250 kHz", "2 MHz"), Within(Fraction(0), Fraction(1000))),
        ("1 ns", ("0.25 us", "4 us"), Within(Fraction(0), Fraction(1))),
        ("2", ("1", "50"), Within(Fraction(0), Fraction(2))),
        ("1%", ("0 %", "80 %"), Within(Fraction(0), Fraction(1, 100))),
        (None, ("0 %", "80 %"), Within(Fraction(0), Fraction(8, 1000))),
        (None, ("0 us", "50 us"), Within(Fraction(0), Fraction(500))),
        ("0.1 %", ("-8 %", "8 %"), Within(Fraction(0), Fraction(1, 1000))),
    ],
)
def test_made(text: str | None, ends: tuple[str, str], made: Within) -> None:
    """A percentage is of the value, but among shares it is one of them."""
    assert within(text, *ends) == made


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("close", "not a resolution: close"),
        ("1 us", "not a resolution: 1 us"),
        ("0%", "out of range: 0%"),
        ("100%", "out of range: 100%"),
        ("3 MHz", "out of range: 3 MHz"),
        ("-1 kHz", "out of range: -1 kHz"),
    ],
)
def test_faults(text: str, said: str) -> None:
    """What is no resolution is told in one line."""
    with pytest.raises(UsageError, match=said):
        within(text, "250 kHz", "2 MHz")


def test_reached() -> None:
    """A share counts from the smaller of both, whatever their sign."""
    share = Within(Fraction(1, 100))
    assert share.reached(Fraction(100), Fraction(101))
    assert not share.reached(Fraction(100), Fraction(102))
    assert Within(Fraction(0), Fraction(5)).reached(Fraction(-2), Fraction(3))
