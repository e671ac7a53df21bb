"""The cable, as cautions: figures of RS-485 against what the profile says of it.

None of these decides whether a design fits: they are rules for a bus that has not been
measured.  Two rules for length and rate are stated because two are published.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.budget.line import BudgetLine, Sense

if TYPE_CHECKING:
    from bench.profile.model import Bus, Output, Profile

_PART = "cable"

LIGHT_M_S = 299_792_458
UNIT_LOAD_OHM = 12_000
"""One unit load, as each wire sees it."""

MOST_UNIT_LOADS = 32
LEAST_LOAD_OHM = 54
"""A driver makes its 1.5 V into as little."""

MOST_LENGTH_M = 1200
LEAST_IDLE_V = Fraction(1, 5)
"""What a receiver may need to tell a one."""

_STANDARD = "TIA-485-A"
_GUIDE = "RS-485 design guide, application report SLLA272"


def stub_most_m(rise_ns: float, velocity: float) -> float:
    """The longest stub: a tenth of the way that a signal goes while it rises."""
    return rise_ns / NS_PER_S * velocity * LIGHT_M_S / 10


def delay_ns(length_m: float, velocity: float) -> float:
    """How long a signal takes along a cable."""
    return length_m / (velocity * LIGHT_M_S) * NS_PER_S


def bias_ohm_most(supply_v: float, idle_v: float, cable_ohm: float) -> float:
    """The greatest bias resistor that keeps a fully loaded bus at an idle voltage.

    R = V / (V_AB (1/375 + 4/Z0)), SLLA272, section 7.
    """
    per_wire = MOST_UNIT_LOADS / UNIT_LOAD_OHM
    return supply_v / (idle_v * (per_wire + 4 / cable_ohm))


def idle_v(
    supply_v: float, bias_ohm: float, termination_ohm: float, unit_loads: float = 0
) -> float:
    """The idle voltage of two terminators that are alike: three resistors in a row."""
    across = driver_load_ohm(termination_ohm, unit_loads)
    return supply_v * across / (2 * bias_ohm + across)


def far_terminator_ohm(bias_ohm: float, cable_ohm: float) -> float:
    """The terminator at the end that has the bias: R_B Z0 / (R_B - Z0 / 2)."""
    return bias_ohm * cable_ohm / (bias_ohm - cable_ohm / 2)


def driver_load_ohm(termination_ohm: float | None, unit_loads: float) -> float:
    """What a driver drives: both terminators and the loads, across the pair."""
    across = unit_loads / (2 * UNIT_LOAD_OHM)
    across += 2 / termination_ohm if termination_ohm else 0
    return 1 / across


def most_nodes(unit_load: float, taken: float = 0) -> int:
    """Nodes of so much load each that a bus takes, `taken` being taken already."""
    return floor((MOST_UNIT_LOADS - Fraction(str(taken))) / Fraction(str(unit_load)))


# --- lines ----------------------------------------------------------------------------


def cable_lines(profile: Profile) -> list[BudgetLine]:
    """Every caution about the cable."""
    bus = profile.bus
    loads = len(profile.node) * bus.unit_loads
    lines = [_loads(bus, loads), *_lengths(bus), _rise(bus), _stub(bus)]
    return [*lines, _termination(bus, loads), _bias(bus, loads), _delay(bus)]


def _caution(
    name: str,
    unit: str,
    value: float | Fraction | None,
    limit: float | Fraction | None,
    *,
    sense: Sense = "most",
    formula: str,
    source: str,
    note: str = "",
    missing: str = "",
) -> BudgetLine:
    """A caution; one without a value says what is missing."""
    return BudgetLine(
        name,
        _PART,
        unit,
        value,
        limit,
        sense=sense,
        caution=True,
        formula=formula,
        source=source,
        note=note,
        missing=missing,
    )


def _loads(bus: Bus, loads: float) -> BudgetLine:
    bias = UNIT_LOAD_OHM / bus.bias_ohm if bus.bias_ohm else 0.0
    most = max(0, most_nodes(bus.unit_loads, bias))
    return _caution(
        "unit loads",
        "unit loads",
        loads + bias,
        MOST_UNIT_LOADS,
        formula="nodes x unit loads + 12 kOhm / bias <= 32",
        source=_STANDARD,
        note=f"bias {bias:.3g}; {most} nodes at most, the host not counted",
    )


def _lengths(bus: Bus) -> list[BudgetLine]:
    """Length and rate by both published rules, and length alone."""
    length = bus.cable_m
    missing = "" if length is not None else "bus.cable"
    rate = None if length is None else length * bus.baud
    return [
        _caution(
            "length x rate, strict",
            "bit m/s",
            rate,
            10**7,
            formula="length x baud < 10^7 (10 % jitter)",
            source=f"{_GUIDE}, section 9",
            missing=missing,
        ),
        _caution(
            "length x rate",
            "bit m/s",
            rate,
            10**8,
            formula="length x baud <= 10^8",
            source="common practice; corner points of SLLA272, section 2",
            missing=missing,
        ),
        _caution(
            "cable length",
            "m",
            length,
            MOST_LENGTH_M,
            formula="length <= 1200 m",
            source=f"{_GUIDE}, section 2",
            missing=missing,
        ),
    ]


def _rise(bus: Bus) -> BudgetLine:
    return _caution(
        "rise time",
        "ns",
        bus.rise_time_ns,
        Fraction(3 * NS_PER_S, 10 * bus.baud),
        formula="rise time <= 30 % of a bit",
        source=_STANDARD,
        missing="" if bus.rise_time_ns is not None else "bus.rise_time",
    )


def _stub(bus: Bus) -> BudgetLine:
    keys = {
        "bus.stub": bus.stub_m,
        "bus.rise_time": bus.rise_time_ns,
        "bus.velocity": bus.velocity,
    }
    most = None
    if bus.rise_time_ns is not None and bus.velocity is not None:
        most = stub_most_m(bus.rise_time_ns, bus.velocity)
    return _caution(
        "stub",
        "m",
        bus.stub_m,
        most,
        formula="stub <= rise time x velocity x c / 10",
        source=f"{_GUIDE}, table 1",
        missing=", ".join(key for key, value in keys.items() if value is None),
    )


def _termination(bus: Bus, loads: float) -> BudgetLine:
    missing = "" if bus.termination_ohm else "bus.termination"
    return _caution(
        "driver load",
        "Ohm",
        driver_load_ohm(bus.termination_ohm, loads) if not missing else None,
        LEAST_LOAD_OHM,
        sense="least",
        formula="both terminators and all unit loads in parallel >= 54 Ohm",
        source=_STANDARD,
        missing=missing,
    )


def _bias(bus: Bus, loads: float) -> BudgetLine:
    keys = {
        "bus.bias": bus.bias_ohm,
        "bus.bias_supply": bus.bias_supply_v,
        "bus.termination": bus.termination_ohm,
    }
    value, note = None, ""
    if bus.bias_ohm and bus.bias_supply_v and bus.termination_ohm:
        supply, ohm, bias = bus.bias_supply_v, bus.termination_ohm, bus.bias_ohm
        value = idle_v(supply, bias, ohm, loads)
        most = bias_ohm_most(supply, float(LEAST_IDLE_V), ohm)
        note = f"a full bus: {most:.0f} Ohm at most"
        if bias > ohm / 2:
            note += f"; {far_terminator_ohm(bias, ohm):.1f} Ohm where the bias is"
    return _caution(
        "idle voltage",
        "V",
        value,
        LEAST_IDLE_V,
        sense="least",
        formula="supply x load / (2 x bias + load) >= 0.2 V",
        source=f"{_STANDARD}; {_GUIDE}, section 7",
        note=note,
        missing=", ".join(key for key, found in keys.items() if found is None),
    )


def _delay(bus: Bus) -> BudgetLine:
    keys = {"bus.cable": bus.cable_m, "bus.velocity": bus.velocity}
    value = None
    if bus.cable_m is not None and bus.velocity is not None:
        value = delay_ns(bus.cable_m, bus.velocity)
    return BudgetLine(
        "propagation",
        _PART,
        "ns",
        value,
        formula="length / (velocity x c)",
        missing=", ".join(key for key, found in keys.items() if found is None),
    )


# --- levels of the lanes --------------------------------------------------------------

_DROP_V = Fraction(1, 5)
"""An output without load stays within this of its supply (JESD8C, LVCMOS)."""

_TTL_HIGH_V = Fraction(2)


def level_line(output: Output) -> BudgetLine:
    """Whether what drives the lanes makes a one at the chains' inputs."""
    supply, kind, far = output.driver_supply_v, output.input, output.input_supply_v
    keys: dict[str, object] = {"output.driver_supply": supply, "output.input": kind}
    if kind != "ttl":
        keys["output.input_supply"] = far
    missing = ", ".join(key for key, value in keys.items() if value is None)
    value = limit = None
    if not missing and supply is not None:
        value = Fraction(str(supply)) - _DROP_V
        limit = _TTL_HIGH_V
        if kind == "cmos":
            limit = Fraction(7, 10) * Fraction(str(far))
    return _caution(
        "lane level",
        "V",
        value,
        limit,
        sense="least",
        formula="driver supply - 0.2 V >= 0.7 x input supply (cmos), or 2 V (ttl)",
        source="JESD8C and usual data sheets",
        missing=missing,
    )
