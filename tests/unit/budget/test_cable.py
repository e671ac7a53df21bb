"""Figures of RS-485 against the standard, an application report and handbooks."""

from __future__ import annotations

import pytest

from bench.budget import budget
from bench.budget.bus.cable import (
    bias_ohm_most,
    delay_ns,
    driver_load_ohm,
    far_terminator_ohm,
    idle_v,
    most_nodes,
    stub_most_m,
)
from bench.profile import load_profile

FOOT = 0.3048


@pytest.mark.parametrize(("rise_ns", "feet"), [(100, 7), (250, 19), (500, 38)])
def test_stubs(rise_ns: int, feet: int) -> None:
    """SLLA272, table 1, rounded down to feet, at 0.78 of light (application report)."""
    assert int(stub_most_m(rise_ns, 0.78) / FOOT) == feet


def test_fail_safe_bias() -> None:
    """SLLA272, section 7: 528 Ohm, and 252.3 mV with 523 (application report)."""
    assert bias_ohm_most(4.75, 0.25, 120) == pytest.approx(527.78, abs=0.01)
    assert bias_ohm_most(4.75, 0.2523, 120) == pytest.approx(523, abs=0.1)


@pytest.mark.parametrize(
    ("bias", "far"), [(620, 132.9), (523, 135.55), (333.3, 146.34)]
)
def test_the_terminator_at_the_bias(bias: float, far: float) -> None:
    """R_B Z0 / (R_B - Z0/2) (textbook example, application notes)."""
    assert far_terminator_ohm(bias, 120) == pytest.approx(far, abs=0.06)


def test_what_a_driver_drives() -> None:
    """60 Ohm beside 750 Ohm of 32 unit loads is 55.6, over 54 (TIA-485-A)."""
    assert driver_load_ohm(120, 32) == pytest.approx(55.556, abs=1e-3)


@pytest.mark.parametrize(
    ("load", "taken", "nodes"),
    [(1, 0, 32), (0.125, 0, 256), (0.125, 20, 96), (1, 20, 12)],
)
def test_nodes(load: float, taken: float, nodes: int) -> None:
    """32 unit loads; 96 nodes of an eighth beside a bias of 20 (SLLA272, section 8)."""
    assert most_nodes(load, taken) == nodes


@pytest.mark.parametrize(
    ("velocity", "ns"), [(0.66, 5.054), (0.70, 4.765), (0.78, 4.276)]
)
def test_delay(velocity: float, ns: float) -> None:
    """Nanoseconds a metre, c = 299,792,458 m/s (SI)."""
    assert delay_ns(1, velocity) == pytest.approx(ns, abs=5e-4)


def lines(*settings: str):  # type: ignore[no-untyped-def]
    """The lines of the causeway with some values set."""
    return budget(load_profile("causeway", settings))


def test_two_rules_for_length_and_rate() -> None:
    """Corner points of SLLA272, section 2, are of the rule that most people quote.

    10 Mbit/s over 40 ft and 100 kbit/s over 4,000 ft make 1.2e8; the strict rule of
    its section 9 allows a tenth.
    """
    for baud, feet in ((10_000_000, 40), (100_000, 4000)):
        product = baud * feet * FOOT
        assert product == pytest.approx(1.2e8, rel=0.02)
    found = lines()
    assert found["length x rate"].holds
    assert found["length x rate, strict"].holds is False
    assert found.fits  # cautions decide nothing


def test_rise_time() -> None:
    """30 % of a bit: 150 ns at 2 Mbit/s (TIA-485-A)."""
    found = lines("bus.baud=2 Mbaud", "traffic.frame_rate=5 Hz", "bus.rise_time=150 ns")
    assert found["rise time"].limit == 150
    assert found["rise time"].holds
    assert lines("bus.rise_time=150 ns")["rise time"].holds is False


@pytest.mark.parametrize(
    ("bias", "ohm", "mv"), [(650, 120, 220.6), (650, 150, 272.7), (560, 150, 313.8)]
)
def test_two_terminators_that_are_alike(bias: float, ohm: float, mv: float) -> None:
    """5 V over a divider; MODBUS over Serial Line asks for 450 to 650 Ohm (derived)."""
    assert 1000 * idle_v(5, bias, ohm) == pytest.approx(mv, abs=0.06)


def test_the_bias_of_a_profile() -> None:
    """560 Ohm at 5 V keep 0.25 V with 120 Ohm at both ends, 820 Ohm do not keep 0.2."""
    settings = ["bus.bias_supply=5 V"]
    line = budget(load_profile("modbus-rtu", settings))["idle voltage"]
    assert float(line.value) == pytest.approx(0.2537, abs=1e-3)
    assert line.holds
    weak = budget(load_profile("modbus-rtu", [*settings, "bus.bias=820 Ohm"]))
    assert weak["idle voltage"].holds is False


def test_levels_of_logic() -> None:
    """3.3 V logic lacks margin into 0.7 of 5 V, and into TTL levels it does not.

    Common practice, no source.
    """
    driver = ("output.driver_supply=3.3 V", "output.input_supply=5 V")
    cmos = lines(*driver, "output.input=cmos")["lane level"]
    assert cmos.holds is False
    assert float(cmos.margin) == pytest.approx(-0.4)
    ttl = lines(*driver, "output.input=ttl")["lane level"]
    assert ttl.holds
    assert float(ttl.margin) == pytest.approx(1.1)


def test_what_is_missing_is_said() -> None:
    """A line without its inputs names them; the others stand."""
    found = lines("bus.cable=")
    assert found["cable length"].missing == "bus.cable"
    assert found["stub"].missing == "bus.stub, bus.rise_time, bus.velocity"
    assert found["stub"].margin is None
    assert found["unit loads"].holds
