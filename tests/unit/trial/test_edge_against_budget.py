"""The edge that trials find is the one that the budget's formulas say.

The budget is for the worst that may come together: its limit lies at the edge, or on
its safe side where trials did not meet the worst, and then the line is named.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

import bench
from bench.budget import solve

if TYPE_CHECKING:
    from pathlib import Path

AGREE = 0.1
"""A budget's limit may lie so far on the safe side."""

CASES = {
    "causeway, fastest clock": ("causeway", "output.clock", "250 kHz", "2 MHz"),
    "causeway, slowest clock": ("causeway", "output.clock", "250 kHz", "100 kHz"),
    "causeway, fastest bus": ("causeway", "bus.baud", "4 Mbaud", "12 Mbaud"),
    "causeway, slowest bus": ("causeway", "bus.baud", "4 Mbaud", "3 Mbaud"),
    "causeway, rearranging": (
        "causeway",
        "processor.rearrange.per_octet",
        "250 ns",
        "4 us",
    ),
    "jetty, rearranging": ("jetty", "processor.rearrange.per_octet", "600 ns", "60 us"),
    "slipway, slowest clock": ("slipway", "output.clock", "4 MHz", "900 kHz"),
    "slipway, rearranging": (
        "slipway",
        "processor.rearrange.per_octet",
        "1 us",
        "40 us",
    ),
}

NAMED = {
    # A poll comes at the worst moment for a character now and then, not in a minute.
    "jetty, fastest bus": ("jetty", "bus.baud", "1 Mbaud", "2 Mbaud", "poll interval"),
    # Every octet replaced, which random payloads are far from.
    "slipway, slowest bus": ("slipway", "bus.baud", "3 Mbaud", "2 Mbaud", "bus load"),
}


def found(
    name: str, path: str, start: str, end: str, logs: Path
) -> tuple[bench.EdgeResult, float]:
    """The edge, and the budget's limit in the same direction."""
    edge = bench.edge(
        name, path, start, end, duration="6s", repeats=2, seed=1, logs=logs
    )
    solution = solve(lambda sets: bench.load_profile(name, sets), path)
    up = edge.facts["from"] == start and solution.kind is not None
    assert up
    ends = [solution.kind.parse(text) for text in (start, end)] if solution.kind else []
    limit = solution.highest if ends[1] > ends[0] else solution.lowest
    assert limit is not None
    return edge, float(limit)


@pytest.mark.parametrize("case", CASES)
def test_same_edge(case: str, tmp_path: Path) -> None:
    """The limit lies between last good and first bad, or little on the safe side."""
    name, path, start, end = CASES[case]
    edge, limit = found(name, path, start, end, tmp_path)
    last, first = edge.figures["last_good"], edge.figures["first_bad"]
    assert edge.verdict == "PASS", edge.reason
    step = 1.011  # what the edge is found to within
    if first > last:
        assert (1 - AGREE) * last <= limit <= first * step
    else:
        assert first / step <= limit <= (1 + AGREE) * last
    assert edge.figures["budget"]["limit"] == limit
    assert "no trial met" not in edge.figures["notes"][-1]
    assert "past the edge" not in edge.figures["notes"][-1]


@pytest.mark.parametrize("case", NAMED)
def test_difference_is_named(case: str, tmp_path: Path) -> None:
    """Where trials do not meet what the budget is for, its line is named."""
    name, path, start, end, line = NAMED[case]
    edge, limit = found(name, path, start, end, tmp_path)
    assert edge.figures["budget"]["limit"] == limit
    assert edge.figures["budget"]["by"] == line
    note = edge.figures["notes"][-1]
    assert f"by {line}" in note
    assert "no trial met what that is for" in note
