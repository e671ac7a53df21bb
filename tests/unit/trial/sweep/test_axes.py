"""Axes as they are typed: values, names, and everything that is none."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import UsageError
from bench.base.units import BAUD, SHARE
from bench.profile.load import read_tables
from bench.trial.sweep.axes import Axis, axis_of, points_of

TABLES = read_tables("causeway")


def axis(text: str) -> Axis:
    """An axis of the causeway."""
    return axis_of(text, TABLES)


def fault(text: str) -> str:
    """What is wrong with an axis."""
    with pytest.raises(UsageError) as raised:
        axis(text)
    assert len(raised.value.lines) == 1
    return str(raised.value)


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("bus.baud=1 Mbaud .. 4 Mbaud, 4", "1 Mbaud; 2 Mbaud; 3 Mbaud; 4 Mbaud"),
        ("bus.baud = 1 Mbaud..4 Mbaud,4", "1 Mbaud; 2 Mbaud; 3 Mbaud; 4 Mbaud"),
        ("output.clock=1 MHz .. 100 MHz, 3 log", "1 MHz; 10 MHz; 100 MHz"),
        ("output.clock=4 MHz; 250 kHz; 2 MHz", "4 MHz; 250 kHz; 2 MHz"),
        ("output.devices=5", "5"),
        ("output.devices=1 .. 10, 5", "1; 3; 6; 8; 10"),
        ("bus.unit_loads=0.1 .. 0.2, 3", "0.1; 0.15; 0.2"),
        ("foreign=0 .. 50 %, 3", "0; 25 %; 50 %"),
        ("traffic.foreign.share=0 .. 0.5, 3", "0; 0.25; 0.5"),
        ("bus.baud_offset=-2 % .. 2 %, 5", "-2 %; -1 %; 0 %; 1 %; 2 %"),
        ("seed=1 .. 4, 4", "1; 2; 3; 4"),
        ("load=20 % .. 80 %, 4", "20 %; 40 %; 60 %; 80 %"),
        ("traffic.foreign.lengths=[16]; [16, 480]", "[16]; [16, 480]"),
        ("node.2.output.clock=1 MHz; 2 MHz", "1 MHz; 2 MHz"),
        ("traffic.pattern=ramp; random", "ramp; random"),
    ],
)
def test_values(text: str, values: str) -> None:
    """Ranges, lists and single values, whatever the spaces."""
    assert list(axis(text).values) == values.split("; ")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("bus.bad=1; 2", "no such axis: bus.bad"),
        ("laod=1 %; 2 %", "(did you mean load?)"),
        ("bus.bad=1; 2", "(did you mean bus.baud?)"),
        ("bus.baud", "not an axis: bus.baud, expected PATH=SPEC"),
        ("bus.baud=", "not an axis: bus.baud="),
        ("bus.baud=1 Mbaud .. 2 Mbaud", "no number of values: 1 Mbaud .. 2 Mbaud"),
        ("bus.baud=1 Mbaud .. 2 Mbaud, many", "not a number of values: many"),
        ("bus.baud=1 Mbaud .. 2 Mbaud, 3 lin", "not a number of values: 3 lin"),
        ("bus.baud=1 Mbaud .. 1 Mbaud, 3", "empty range: 1 Mbaud .. 1 Mbaud"),
        ("bus.baud=2 Mbaud .. 1 Mbaud, 3", "reversed range: 2 Mbaud .. 1 Mbaud"),
        ("bus.baud=2 Mbaud .. 1 Mbaud, 3", "(did you mean 1 Mbaud .. 2 Mbaud?)"),
        ("bus.baud=1 Mbaud .. 2 Mbaud, 1", "too few values: 1"),
        ("bus.baud=1 Mbaud .. 2 Mbaud, 20000", "too many values: 20000"),
        ("foreign=0 .. 50 %, 3 log", "out of range: 0, expected a lower end above 0"),
        ("output.devices=1 .. 4, 9", "too many values: 9"),
        ("bus.baud=1 Mbaud;; 2 Mbaud", "a value is missing"),
        ("bus.baud=1 Mbaud; 2 Mbaud; 1 Mbaud", "a value twice: 1 Mbaud"),
    ],
)
def test_faults(text: str, said: str) -> None:
    """What is no axis is told in one line, with what would be one."""
    assert said in fault(text)


@given(st.text(max_size=40))
def test_any_text(text: str) -> None:
    """Whatever is typed is an axis or one fault, and nothing else."""
    lines: list[str] = []
    values: tuple[str, ...] = ()
    try:
        values = axis(f"bus.baud={text}").values
    except UsageError as error:
        lines = list(error.lines)
    assert len(lines) == (not values)


@given(st.integers(1, 10**7), st.integers(1, 10**7), st.integers(2, 50))
def test_ends_stay_as_typed(low: int, more: int, count: int) -> None:
    """The two ends are values, in the words in which they were typed."""
    ends = f"{low} baud", f"{low + more} baud"
    text = f"bus.baud={ends[0]} .. {ends[1]}, {count}"
    if more < 2 * count:
        return
    values = axis(text).values
    assert (values[0], values[-1]) == ends
    worths = [BAUD.parse(value) for value in values]
    assert sorted(set(worths)) == worths
    assert len(worths) == count


def test_what_is_set() -> None:
    """A path is set, a short name sets its path, and others set nothing."""
    assert axis("bus.baud=1 Mbaud").sets("1 Mbaud") == "bus.baud=1 Mbaud"
    assert axis("foreign=3 %").sets("3 %") == "traffic.foreign.share=3 %"
    assert axis("seed=3").sets("3") == ""
    assert SHARE.parse("3 %") == 0.03


def test_points() -> None:
    """Every value with every other, the last axis turning the fastest."""
    axes = [Axis("a", ("1", "2")), Axis("b", ("x", "y", "z"))]
    points = points_of(axes)
    assert points[:4] == [("1", "x"), ("1", "y"), ("1", "z"), ("2", "x")]
    assert len(points) == 6


def test_no_points() -> None:
    """Two axes of one thing, and more points than a day has, are refused."""
    twice = [axis("foreign=1 %; 2 %"), axis("traffic.foreign.share=3 %; 4 %")]
    with pytest.raises(UsageError, match="two axes vary one thing"):
        points_of(twice)
    many: list[Any] = [axis("seed=1 .. 10000, 10000")] * 1
    many += [axis("bus.baud=1 Mbaud .. 9 Mbaud, 101")]
    with pytest.raises(UsageError, match="too many points: 1010000"):
        points_of(many)
