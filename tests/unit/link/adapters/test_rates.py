"""Bit rates out of dividers: published tables of data sheets and manuals.

Errors are made over wanted, less 1, in per cent as the tables print them.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.link.adapters.known import EIGHTHS, FAST_EIGHTHS, WHOLE_OF_24_MHZ
from bench.link.adapters.rates import Rule


def whole(clock_hz: int, oversampling: int, most: int = 4096) -> Rule:
    """A whole divider of so many times the bit rate."""
    return Rule(Fraction(clock_hz, oversampling), most=most)


@pytest.mark.parametrize(
    ("clock_hz", "oversampling", "baud", "register", "percent"),
    [
        # ATmega data sheets, examples of UBRR settings, U2X = 0; register = divider - 1
        (16_000_000, 16, 9600, 103, 0.2),
        (16_000_000, 16, 38400, 25, 0.2),
        (16_000_000, 16, 57600, 16, 2.1),
        (16_000_000, 16, 115_200, 8, -3.5),
        (16_000_000, 16, 230_400, 3, 8.5),
        (16_000_000, 16, 250_000, 3, 0.0),
        (16_000_000, 16, 1_000_000, 0, 0.0),
        (20_000_000, 16, 57600, 21, -1.4),
        (20_000_000, 16, 115_200, 10, -1.4),
        (20_000_000, 16, 230_400, 4, 8.5),
        # the same, U2X = 1
        (16_000_000, 8, 57600, 34, -0.8),
        (16_000_000, 8, 115_200, 16, 2.1),
        (16_000_000, 8, 230_400, 8, -3.5),
        (16_000_000, 8, 2_000_000, 0, 0.0),
    ],
)
def test_whole_dividers(clock_hz, oversampling, baud, register, percent):
    """The register and the error of the data sheet, which prints one decimal."""
    made = whole(clock_hz, oversampling).nearest(baud)
    assert made.divider - 1 == register
    # The sheet prints -3.5 for 3.549 %: it cuts, or rounds.
    assert abs(100 * float(made.error) - percent) < 0.06


@pytest.mark.parametrize(
    ("baud", "divisor", "percent"),
    [
        # 16450 and 16550 data sheets, divisor table at 1.8432 MHz
        (50, 2304, 0.0),
        (110, 1047, 0.026),
        (2000, 58, -0.69),
        (9600, 12, 0.0),
        (56000, 2, 2.86),
    ],
)
def test_the_divisor_latch(baud, divisor, percent):
    """The divisor and the error of the table (it prints no signs)."""
    made = whole(1_843_200, 16, 0xFFFF).nearest(baud)
    assert made.divider == divisor
    assert round(100 * float(made.error), 3) == pytest.approx(percent, abs=0.005)


@pytest.mark.parametrize(
    ("clock_hz", "steps", "per_bit", "baud", "divider", "percent"),
    [
        # ARM PL011 manuals, 4 MHz: 16 (i + m/64); the exact errors are worked out
        (4_000_000, 64, 16, 230_400, 64 + 5, 0.6441),
        (4_000_000, 64, 16, 115_200, 2 * 64 + 11, -0.0799),
        (4_000_000, 64, 16, 76_800, 3 * 64 + 16, 0.1603),
        (4_000_000, 64, 16, 38_400, 6 * 64 + 33, -0.0799),
        (4_000_000, 64, 16, 14_400, 17 * 64 + 23, 0.0100),
        (4_000_000, 64, 16, 2400, 104 * 64 + 11, -0.0050),
        # RP2040 data sheet, the same rule at 125 MHz (from memory)
        (125_000_000, 64, 16, 115_200, 67 * 64 + 52, 0.0064),
        # STM32F4 reference manual RM0090, table 133, 8 MHz: sixteenths
        (8_000_000, 16, 16, 115_200, 69, 0.64),
        (8_000_000, 16, 16, 230_400, 35, -0.79),
        (8_000_000, 16, 16, 460_800, 17, 2.12),
        # RM0390, tables 150 and 156: eighths of an eight-fold clock
        (16_000_000, 8, 8, 2_000_000, 8, 0.0),
        (24_000_000, 8, 8, 3_000_000, 8, 0.0),
        (24_000_000, 8, 8, 921_600, 26, 0.16),
        (84_000_000, 8, 8, 7_168_000, 12, -2.34),
        (84_000_000, 8, 8, 9_000_000, 9, 3.70),
        (84_000_000, 8, 8, 10_500_000, 8, 0.0),
    ],
)
def test_dividers_with_a_fraction(clock_hz, steps, per_bit, baud, divider, percent):
    """The divider and the error of the manual."""
    rule = Rule(Fraction(clock_hz, per_bit), steps, steps, 4096 * steps)
    made = rule.nearest(baud)
    assert made.divider == divider
    assert 100 * float(made.error) == pytest.approx(percent, abs=0.005)


@pytest.mark.parametrize(
    ("rule", "baud", "made"),
    [
        # Application note AN232B-05: 3 MHz by n + eighths, n from 2 to 16384, and the
        # special cases 3 and 2 Mbaud; its example 490000 -> 6.125 -> 489795.9
        (EIGHTHS, 490_000, Fraction(3_000_000, 1) / Fraction("6.125")),
        (EIGHTHS, 3_000_000, 3_000_000),
        (EIGHTHS, 2_000_000, 2_000_000),
        (EIGHTHS, 1_500_000, 1_500_000),
        (EIGHTHS, 1_700_000, 1_500_000),  # nothing between 1.5 and 2 Mbaud
        (EIGHTHS, 4_000_000, 3_000_000),
        (EIGHTHS, 183, Fraction(3_000_000, 16384)),
        # the high-speed parts, four times the clock (from memory)
        (FAST_EIGHTHS, 12_000_000, 12_000_000),
        (FAST_EIGHTHS, 8_000_000, 8_000_000),
        (FAST_EIGHTHS, 4_000_000, 4_000_000),
        (FAST_EIGHTHS, 5_000_000, Fraction(12_000_000) / Fraction("2.375")),
        # Application note AN205: 48 MHz over 2 n
        (WHOLE_OF_24_MHZ, 115_200, Fraction(24_000_000, 208)),
        (WHOLE_OF_24_MHZ, 921_600, Fraction(24_000_000, 26)),
        (WHOLE_OF_24_MHZ, 3_000_000, 3_000_000),
    ],
)
def test_adapters(rule, baud, made):
    """What the maker's notes say that a rate comes to."""
    assert rule.nearest(baud).baud == made


@given(
    st.integers(10**5, 10**9),
    st.sampled_from([1, 8, 16, 64]),
    st.integers(1, 16),
    st.integers(1, 2 * 10**7),
)
def test_no_other_divider_comes_nearer(clock_hz, steps, least, baud):
    """Against every divider there is, one after another."""
    rule = Rule(Fraction(clock_hz), steps, least * steps, 1100, (steps,))
    dividers = [steps, *range(least * steps, 1101)]
    best = min(abs(Fraction(clock_hz * steps, k) - baud) for k in dividers)
    made = rule.nearest(baud)
    assert made.divider in dividers
    assert abs(made.baud - baud) == best
    assert made.baud == Fraction(clock_hz * steps, made.divider)
    assert made.error == made.baud / baud - 1
    assert made.baud <= rule.fastest


def test_a_rule_in_words():
    """Named by what it does."""
    assert str(EIGHTHS) == "3 MHz divided by eighths"
    assert str(whole(1_843_200, 16)) == "0.1152 MHz divided by whole numbers"
    assert str(Rule(Fraction(1_000_000), 64)) == "1 MHz divided by steps of 1/64"
