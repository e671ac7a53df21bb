"""Grades of spacing: no more is claimed than was seen."""

from __future__ import annotations

import pytest
from unit.link.live.stub import MS

from bench.base.clock import JumpClock
from bench.link.live.account import Side, Stretches, graded
from bench.link.live.rules import LiveRules
from bench.link.pacer import Pacer
from bench.link.transport import Can, Told

UART = Can(keeps_baud=True, tells_unsent=True)


def side(can=UART, *, elapsed_ns=10_000 * MS, busy_ns=9_990 * MS, **rules) -> Side:
    """A link that sent for ten seconds."""
    placed = Pacer(JumpClock()).report()
    given = LiveRules(**rules)
    return Side(given, can, Told(), placed, 1000, busy_ns, 1_000_000, elapsed_ns)


@pytest.mark.parametrize(
    ("made", "why"),
    [
        (side(pacing="timed", measured_baud=1e6), "only the write calls"),
        (side(Can(), measured_baud=1e6), "nothing below this link keeps the bit rate"),
        (side(), "bit rate was not measured"),
        (side(elapsed_ns=0, measured_baud=1e6), "bit rate was not measured"),
    ],
)
def test_unproven(made, why):
    """Without a line that keeps its rate, and a measure of that rate, nothing is."""
    grade, text = graded(made)
    assert grade == "unproven"
    assert why in text


@pytest.mark.parametrize(
    ("busy_ms", "baud", "share"),
    [
        (9_990, 1e6, "0.002"),  # 0.1 % idle, below the floor of a lead in ten seconds
        (9_000, 1e6, "0.1"),
        (9_000, 0.9e6, "0.002"),  # the line was slower, and never rested
    ],
)
def test_bounded(busy_ms, baud, share):
    """The share of time that characters at the measured rate leave, or the floor."""
    grade, text = graded(side(busy_ns=busy_ms * MS, measured_baud=baud))
    assert grade == "bounded"
    assert text == f"idle share at most {share}, of which the floor is 0.002"


def test_stretches_of_unknown_length():
    """One whose length nobody saw makes the sum not observable, and never shorter."""
    dry = Stretches()
    dry.add(3 * MS, 5)
    assert str(dry) == "once, 3 ms in all"
    dry.add(1 * MS, 6)
    assert str(dry) == "2 times, 4 ms in all, 3 ms at worst"
    dry.add(None, 7)
    dry.add(2 * MS, 8)
    told = {"times": 4, "ns": None, "longest_ns": None, "first_ns": 5}
    assert dry.as_dict() == told
    assert str(dry) == "4 times, for how long is not observable"
