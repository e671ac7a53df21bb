"""Clocks: divisors and period registers, and whether two ends agree on a bit.

A UART divides its clock by a number that may have a fraction, of a stated number of
steps, and takes 8 or 16 periods of the result for a bit.  Errors are actual / wanted
- 1: positive is fast.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import floor
from typing import TYPE_CHECKING

from bench.base.units import format_rate
from bench.budget.line import BudgetLine

if TYPE_CHECKING:
    from bench.profile.model import Bus, Node, Profile

_PART = "clocks"

_SAMPLED = {16: (8, 9), 8: (4, 5)}
"""First and middle of the samples of a bit, by oversampling (S_F, S_M)."""

_DATA_SHEETS = "data sheets of 8-bit microcontrollers, asynchronous operational range"


@dataclass(frozen=True, slots=True)
class Divisor:
    """What a register can hold, and what rate that makes.

    Attributes:
        number: In steps: 64 of them are one where the divisor has sixty-fourths.
        steps: How many are one.
        rate: The rate that comes out.
        error: Of it, as a share of what was wanted.
    """

    number: int
    steps: int
    rate: Fraction
    error: Fraction

    @property
    def whole(self) -> int:
        """The part of it before the point."""
        return self.number // self.steps

    @property
    def fraction(self) -> int:
        """The steps after it."""
        return self.number % self.steps


def divisor_for(
    clock_hz: int | Fraction, baud: int | Fraction, oversampling: int, steps: int = 1
) -> Divisor:
    """The divisor that is nearest to a baud; a fraction that rounds up carries.

    Args:
        clock_hz: The clock that is divided.
        baud: What is wanted.
        oversampling: Periods of the divided clock in a bit.
        steps: Parts of one that the divisor may have.
    """
    wanted = Fraction(clock_hz) * steps / (oversampling * Fraction(baud))
    number = max(steps, floor(wanted + Fraction(1, 2)))
    rate = Fraction(clock_hz) * steps / (oversampling * number)
    return Divisor(number, steps, rate, rate / baud - 1)


def makeable_baud(
    clock_hz: int, oversampling: int, steps: int, least: int, most: int
) -> list[Fraction]:
    """Every rate within a range that an adapter can make, ascending."""
    top = Fraction(clock_hz) * steps / oversampling
    low, high = max(steps, -(-top // most)), top // least
    return [top / number for number in range(int(high), int(low) - 1, -1)]


def period_for(clock_hz: int, wanted_hz: int) -> Divisor:
    """The whole number of clock cycles nearest to a period."""
    return divisor_for(clock_hz, wanted_hz, 1)


def tolerance(bus: Bus, oversampling: int | None) -> tuple[Fraction, Fraction]:
    """How much slower and how much faster than a receiver a sender may be, as shares.

    With oversampling by the published formulas, R_slow = (D + 1) S / (S - 1 + D S +
    S_F) and R_fast = (D + 2) S / ((D + 1) S + S_M), D data and parity bits.  Without,
    for a receiver that samples the very middle of each bit and the first stop bit, as
    the simulated one does.

    Args:
        bus: Its characters.
        oversampling: 8 or 16; None: the ideal.
    """
    bits = bus.data_bits + (bus.parity != "none")
    if oversampling is not None:
        first, middle = _SAMPLED[oversampling]
        periods = oversampling
        slow = Fraction((bits + 1) * periods, periods - 1 + bits * periods + first)
        fast = Fraction((bits + 2) * periods, (bits + 1) * periods + middle)
        return 1 - slow, fast - 1
    half = Fraction(1, 2)
    stop = Fraction(str(bus.stop_bits))
    slow = Fraction(bits + 1) / (bits + 1 + half)
    fast = min((bits + 1) / (bits + half), (bits + 1 + stop) / (bits + 1 + half))
    return 1 - slow, fast - 1


# --- lines ----------------------------------------------------------------------------


def clock_lines(profile: Profile, node: Node) -> list[BudgetLine]:
    """Divisors of one kind of node, and whether it agrees with the host."""
    return [_divisor(profile, node), _agreement(profile, node), _output(node)]


def adapter_line(profile: Profile) -> BudgetLine:
    """What the host's adapter makes of the baud."""
    bus, adapter = profile.bus, profile.bus.adapter
    name, unit = "adapter baud", "share"
    formula = "|nearest rate that it can make / baud - 1|"
    if adapter is None:
        return BudgetLine(name, _PART, unit, formula=formula, missing="bus.adapter")
    clock, periods, steps = adapter.clock_hz, adapter.oversampling, adapter.steps
    made = divisor_for(clock, bus.baud, periods, steps)
    beside = makeable_baud(clock, periods, steps, bus.baud // 2, 2 * bus.baud)
    at = beside.index(made.rate) if made.rate in beside else 0
    others = [*beside[max(0, at - 1) : at], *beside[at + 1 : at + 2]]
    note = f"{_number(made)}: {_rate(made.rate)}"
    if others:
        note += f"; next to it {' and '.join(map(_rate, others))}"
    return BudgetLine(name, _PART, unit, abs(made.error), formula=formula, note=note)


def _divisor(profile: Profile, node: Node) -> BudgetLine:
    """The receiver's baud register."""
    uart, clock = node.processor.uart, node.processor.clock_hz
    name, unit = "baud divisor", "share"
    formula = "|clock / (oversampling x divisor) / baud - 1|"
    missing = _missing(
        {"processor.clock": clock, "processor.uart.oversampling": uart.oversampling}
    )
    if clock is None or uart.oversampling is None:
        return BudgetLine(name, _PART, unit, formula=formula, missing=missing)
    made = divisor_for(clock, profile.bus.baud, uart.oversampling, uart.steps)
    note = f"{_number(made)}: {_rate(made.rate)}"
    return BudgetLine(name, _PART, unit, abs(made.error), formula=formula, note=note)


def _agreement(profile: Profile, node: Node) -> BudgetLine:
    """Whether the sender's baud is one that the receiver hears."""
    bus, processor = profile.bus, node.processor
    uart, clock = processor.uart, processor.clock_hz
    sender = bus.baud * (1 + Fraction(str(bus.baud_offset)))
    known = ["bus.baud_offset"]
    if bus.adapter is not None:
        adapter = bus.adapter
        sender *= (
            1
            + divisor_for(
                adapter.clock_hz, bus.baud, adapter.oversampling, adapter.steps
            ).error
        )
        known.append("the adapter's divisor")
    receiver = Fraction(bus.baud)
    if clock is not None and uart.oversampling is not None:
        receiver = divisor_for(clock, bus.baud, uart.oversampling, uart.steps).rate
        known.append("the receiver's divisor")
    error = sender / receiver - 1
    slow, fast = tolerance(bus, uart.oversampling)
    spread = Fraction(str(processor.clock_error or 0))
    if processor.clock_error is not None:
        known.append("its clock")
    sides = [(spread - error, slow), (spread + error, fast)]
    value, limit = min(sides, key=lambda side: (side[1] - side[0]) / side[1])
    ideal = "" if uart.oversampling else "; ideal sampling"
    return BudgetLine(
        "baud error",
        _PART,
        "share",
        max(Fraction(0), value),
        limit,
        formula="sum of both ends' errors <= R_fast - 1, or 1 - R_slow",
        source=_DATA_SHEETS if uart.oversampling else "",
        note=f"of {', '.join(known)}{ideal}",
    )


def _output(node: Node) -> BudgetLine:
    """The period register of the lanes' clock."""
    clock, output = node.processor.clock_hz, node.output
    name, unit = "output clock period", "share"
    formula = "|clock / cycles / output clock - 1|"
    if clock is None:
        missing = "processor.clock"
        return BudgetLine(name, _PART, unit, formula=formula, missing=missing)
    made = period_for(clock, output.clock_hz)
    note = f"{made.number} cycles: {_rate(made.rate, 'Hz')}"
    return BudgetLine(name, _PART, unit, abs(made.error), formula=formula, note=note)


def _missing(keys: dict[str, object]) -> str:
    return ", ".join(key for key, value in keys.items() if value is None)


def _number(made: Divisor) -> str:
    """A divisor as a register takes it."""
    if made.steps == 1:
        return f"divisor {made.number}"
    return f"divisor {made.whole} + {made.fraction}/{made.steps}"


def _rate(rate: Fraction, unit: str = "baud") -> str:
    return format_rate(float(rate), unit, 6)
