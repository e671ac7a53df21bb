"""Divisors, period registers and tolerances against the tables of data sheets.

All values are printed in handbooks (data sheets, reference manuals), and recomputed.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from bench.budget import budget
from bench.budget.bus.clocks import (
    divisor_for,
    makeable_baud,
    period_for,
    tolerance,
)
from bench.profile import load_profile
from bench.profile.model import Bus

MHZ = 1_000_000


@pytest.mark.parametrize(
    ("clock", "oversampling", "rows"),
    [
        # AVR data sheets, UBRR table: the register holds the divisor less one.
        (
            16 * MHZ,
            16,
            [
                (9600, 103, 0.2),
                (38_400, 25, 0.2),
                (57_600, 16, 2.1),
                (115_200, 8, -3.5),
                (230_400, 3, 8.5),
                (250_000, 3, 0),
                (500_000, 1, 0),
                (MHZ, 0, 0),
            ],
        ),
        (
            16 * MHZ,
            8,
            [
                (57_600, 34, -0.8),
                (115_200, 16, 2.1),
                (230_400, 8, -3.5),
                (MHZ, 1, 0),
                (2 * MHZ, 0, 0),
            ],
        ),
        (
            20 * MHZ,
            16,
            [
                (57_600, 21, -1.4),
                (115_200, 10, -1.4),
                (230_400, 4, 8.5),
                (250_000, 4, 0),
            ],
        ),
    ],
)
def test_whole_divisors(
    clock: int, oversampling: int, rows: list[tuple[int, int, float]]
) -> None:
    """Register and error as printed, to a tenth of a per cent (handbook)."""
    for baud, register, error in rows:
        found = divisor_for(clock, baud, oversampling)
        assert found.number - 1 == register
        assert float(100 * found.error) == pytest.approx(error, abs=0.06)


@pytest.mark.parametrize(
    ("baud", "divisor", "error"),
    [
        (50, 2304, 0),
        (110, 1047, 0.026),
        ("134.5", 857, 0.058),
        (2000, 58, 0.69),
        (9600, 12, 0),
        (56_000, 2, 2.86),
    ],
)
def test_the_divisor_table_of_the_first_pc_uarts(
    baud: Any, divisor: int, error: float
) -> None:
    """16450/16550 table at 1.8432 MHz, signs dropped (handbook)."""
    found = divisor_for(1_843_200, Fraction(str(baud)), 16)
    assert found.number == divisor
    assert float(100 * abs(found.error)) == pytest.approx(error, abs=0.005)


@pytest.mark.parametrize(
    ("clock", "baud", "parts", "error"),
    [
        (4 * MHZ, 230_400, (1, 5), 0.6441),
        (4 * MHZ, 115_200, (2, 11), -0.0799),
        (4 * MHZ, 76_800, (3, 16), 0.1603),
        (4 * MHZ, 38_400, (6, 33), -0.0799),
        (4 * MHZ, 14_400, (17, 23), 0.0100),
        (4 * MHZ, 2400, (104, 11), -0.0050),
        # The first of these is from memory.
        (125 * MHZ, 115_200, (67, 52), 0.0064),
        (125 * MHZ, 2 * MHZ, (3, 58), 0),
        (125 * MHZ, 3 * MHZ, (2, 39), -0.1996),
        (125 * MHZ, 5 * MHZ, (1, 36), 0),
    ],
)
def test_sixty_fourths(
    clock: int, baud: int, parts: tuple[int, int], error: float
) -> None:
    """PL011-type manuals (RM0352, table 122); errors exactly, not as printed."""
    found = divisor_for(clock, baud, 16, 64)
    assert (found.whole, found.fraction) == parts
    assert float(100 * found.error) == pytest.approx(error, abs=5e-5)


@pytest.mark.parametrize(
    ("clock", "baud", "oversampling", "steps", "divisor", "error"),
    [
        (8 * MHZ, 115_200, 16, 16, 4.3125, 0.64),
        (8 * MHZ, 230_400, 16, 16, 2.1875, 0.79),
        (8 * MHZ, 460_800, 16, 16, 1.0625, 2.12),
        (16 * MHZ, 2 * MHZ, 8, 8, 1, 0),
        (24 * MHZ, 2 * MHZ, 8, 8, 1.5, 0),
        (24 * MHZ, 3 * MHZ, 8, 8, 1, 0),
        (24 * MHZ, 921_600, 8, 8, 3.25, 0.16),
        (84 * MHZ, 7_168_000, 8, 8, 1.5, 2.34),
        (84 * MHZ, 7_372_800, 8, 8, 1.375, 3.57),
        (84 * MHZ, 9 * MHZ, 8, 8, 1.125, 3.7),
        (84 * MHZ, 10_500_000, 8, 8, 1, 0),
    ],
)
def test_sixteenths_and_eighths(
    clock: int, baud: int, oversampling: int, steps: int, divisor: float, error: float
) -> None:
    """RM0090 table 133, RM0390 tables 150 and 156; they print magnitudes."""
    found = divisor_for(clock, baud, oversampling, steps)
    assert found.number / steps == divisor
    assert float(100 * abs(found.error)) == pytest.approx(error, abs=0.006)


def test_a_fraction_that_rounds_up_carries() -> None:
    """RM0090, example 3: 50.99 becomes 51.0, register 0330h, not 50 and 16/16."""
    found = divisor_for(Fraction("50.99") * 16 * 9600, 9600, 16, 16)
    assert (found.whole, found.fraction) == (51, 0)
    assert found.number == 0x330


# --- what a receiver allows -----------------------------------------------------------


SIXTEEN = {
    5: (93.20, 106.67),
    6: (94.12, 105.79),
    7: (94.81, 105.11),
    8: (95.36, 104.58),
    9: (95.81, 104.14),
    10: (96.17, 103.78),
}
EIGHT = {
    5: (94.12, 105.66),
    6: (94.92, 104.92),
    7: (95.52, 104.35),
    8: (96.00, 103.90),
    9: (96.39, 103.53),
    10: (96.70, 103.23),
}


@pytest.mark.parametrize(("oversampling", "table"), [(16, SIXTEEN), (8, EIGHT)])
def test_the_range_of_asynchronous_reception(
    oversampling: int, table: dict[int, tuple[float, float]]
) -> None:
    """AVR data sheets, both tables, all twelve rows (handbook)."""
    for bits, (slow, fast) in table.items():
        parity = "even" if bits == 10 else "none"
        bus = Bus(baud=9600, data_bits=min(bits, 9), parity=parity)
        down, up = tolerance(bus, oversampling)
        assert float(100 * (1 - down)) == pytest.approx(slow, abs=0.006)
        assert float(100 * (1 + up)) == pytest.approx(fast, abs=0.006)


def test_the_slip_in_that_table() -> None:
    """Its total error for eight bits is printed +4.58/-4.54; 95.36 % means -4.64."""
    down, up = tolerance(Bus(baud=9600), 16)
    assert float(100 * up) == pytest.approx(4.58, abs=0.006)
    assert float(100 * down) == pytest.approx(4.64, abs=0.006)


def test_the_ideal_receiver() -> None:
    """Half a bit in nine and a half: 5.26 % (trade press)."""
    down, up = tolerance(Bus(baud=9600), None)
    assert down == up == Fraction(1, 19)


# --- lines ----------------------------------------------------------------------------


def test_both_ends_add_up() -> None:
    """The adapter 0.16 % fast, the receiver 3.55 % slow, its clock 1 % off.

    Too much for 4.58 % (RM0351, section 36.5.5: deviations add up).
    """
    settings = [
        "bus.baud=115200",
        "traffic.frame_rate=1 Hz",
        "bus.adapter={clock='48 MHz', steps=8}",
        "processor.clock=16 MHz",
        "processor.uart.oversampling=16",
    ]
    found = budget(load_profile("causeway", settings))
    assert float(found["baud divisor"].value) == pytest.approx(0.0355, abs=1e-4)
    line = found["baud error"]
    assert line.holds
    assert float(line.value) == pytest.approx(0.0355 + 0.0016, abs=2e-3)
    off = budget(load_profile("causeway", [*settings, "processor.clock_error=1 %"]))
    assert not off["baud error"].holds
    assert not off.fits


def test_periods_of_the_output_clock() -> None:
    """84 MHz into 250 kHz is 336 cycles exactly; into 1.3 MHz 65 of 64.6."""
    assert period_for(84 * MHZ, 250_000).number == 336
    assert period_for(84 * MHZ, 250_000).error == 0
    assert period_for(84 * MHZ, 1_300_000).number == 65


def test_rates_that_an_adapter_can_make() -> None:
    """3 Mbaud by n/8: common practice, no source."""
    rates = makeable_baud(48 * MHZ, 16, 8, 2 * MHZ, 3 * MHZ)
    assert rates[-1] == 3 * MHZ
    assert rates[0] == 2 * MHZ
    assert len(rates) == 5
    assert rates == sorted(rates)
    settings = ["bus.adapter={clock='48 MHz', steps=8}", "bus.baud=2.4 Mbaud"]
    line = budget(load_profile("causeway", settings))["adapter baud"]
    assert line.value == 0
    assert line.note.endswith("next to it 2.18182 Mbaud and 2.66667 Mbaud")
