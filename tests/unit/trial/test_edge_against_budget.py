"""The edge that trials find is the one that the budget's formulas say.

The budget is for the worst that may come together: its limit lies at the edge, or on
its safe side where trials did not meet the worst, and then the line is named.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from unit.budget import worlds
from unit.budget.played import played

import bench
from bench.base.errors import BenchError
from bench.budget import budget, solve
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from bench.profile import Profile

AGREE = 0.1
"""A budget's limit may lie so far on the safe side."""

EACH, FIXED = "processor.rearrange.per_octet", "processor.interrupt.entry"
BODY = "processor.interrupt.per_character"

CASES = {
    "causeway, fastest clock": ("causeway", "output.clock", "250 kHz", "2 MHz"),
    "causeway, slowest clock": ("causeway", "output.clock", "250 kHz", "100 kHz"),
    "causeway, fastest bus": ("causeway", "bus.baud", "4 Mbaud", "12 Mbaud"),
    "causeway, slowest bus": ("causeway", "bus.baud", "4 Mbaud", "3 Mbaud"),
    "causeway, most devices": ("causeway", "output.devices", "20", "30"),
    "causeway, rearranging": ("causeway", EACH, "250 ns", "4 us"),
    "causeway, a character": ("causeway", BODY, "400 ns", "2.2 us"),
    "causeway, entry": ("causeway", FIXED, "1.3 us", "8.5 us"),
    "jetty, slowest clock": ("jetty", "output.clock", "38.4 kbaud", "12 kbaud"),
    "jetty, slowest bus": ("jetty", "bus.baud", "1 Mbaud", "400 kbaud"),
    "jetty, most devices": ("jetty", "output.devices", "48", "60"),
    "jetty, rearranging": ("jetty", EACH, "600 ns", "60 us"),
    "slipway, slowest clock": ("slipway", "output.clock", "4 MHz", "900 kHz"),
    "slipway, fastest bus": ("slipway", "bus.baud", "3 Mbaud", "60 Mbaud"),
    "slipway, rearranging": ("slipway", EACH, "1 us", "40 us"),
    "dmx512, slowest clock": ("dmx512", "output.clock", "500 kHz", "50 kHz"),
    "dmx512, fastest clock": ("dmx512", "output.clock", "500 kHz", "1.6 MHz"),
    "dmx512, slowest bus": ("dmx512", "bus.baud", "250 kbaud", "160 kbaud"),
    "dmx512, fastest bus": ("dmx512", "bus.baud", "250 kbaud", "3.8 Mbaud"),
    "dmx512, most devices": ("dmx512", "output.devices", "7", "11"),
    "dmx512, rearranging": ("dmx512", EACH, "500 ns", "17 us"),
    "dmx512, a character": ("dmx512", BODY, "1.2 us", "57 us"),
    "dmx512, entry": ("dmx512", FIXED, "1.5 us", "58 us"),
    "modbus, slowest clock": ("modbus-rtu", "output.clock", "100 kHz", "21 kHz"),
    "modbus, fastest clock": ("modbus-rtu", "output.clock", "100 kHz", "660 kHz"),
    "modbus, rearranging": ("modbus-rtu", EACH, "2 us", "130 us"),
    "modbus, a character": ("modbus-rtu", BODY, "4 us", "760 us"),
}

NAMED = {
    # What may come together comes so now and then, not in some seconds.
    "jetty, fastest bus": ("jetty", "bus.baud", "1 Mbaud", "4 Mbaud", "poll interval"),
    "jetty, a character": ("jetty", BODY, "1.6 us", "10 us", "polling share"),
    "slipway, a character": ("slipway", BODY, "150 ns", "3 us", "shown"),
    "modbus, fastest bus": (
        "modbus-rtu",
        "bus.baud",
        "19.2 kbaud",
        "1.18 Mbaud",
        "FIFO slack",
    ),
    # Every octet replaced, which random payloads are far from.
    "slipway, slowest bus": ("slipway", "bus.baud", "3 Mbaud", "1.5 Mbaud", "bus load"),
}


def found(
    name: str, path: str, start: str, end: str, logs: Path
) -> tuple[bench.EdgeResult, float]:
    """The edge, and the budget's limit in the same direction."""
    edge = bench.edge(
        name, path, start, end, duration="3s", repeats=2, seed=1, logs=logs
    )
    solution = solve(lambda sets: bench.load_profile(name, sets), path)
    kind = solution.kind
    ends = [float(kind.parse(text) if kind else text) for text in (start, end)]
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


def test_where_nothing_can_be_tried(tmp_path: Path) -> None:
    """Where the simulation refuses what the budget allows, it is not the board's."""
    words = ("modbus-rtu", "bus.baud", "19.2 kbaud", "10 kbaud")
    edge, limit = found(*words, tmp_path)
    assert limit < edge.figures["first_bad"]
    assert edge.figures["first_bad_state"] == "cannot be sent"
    assert edge.figures["notes"][-1].endswith("by bus load, past what can be tried")


@pytest.mark.parametrize("name", ["causeway", "jetty", "slipway", "dmx512"])
def test_most_nodes(name: str) -> None:
    """As many as the budget says can be sent to and show everything, and not one more.

    On slipway one more could be sent to while payloads are stuffed less than at worst.
    """
    solution = solve(lambda sets: bench.load_profile(name, sets), "node")
    most = int(solution.highest or 0)
    assert solution.highest_by in ("bus load", "no room in the shared payload")
    profile = bench.load_profile(name)
    assert most >= len(profile.node)
    played_all = all(one.shown == one.sent for one in played(crowd(profile, most)))
    assert played_all
    if name != "slipway":
        with pytest.raises(BenchError):
            played(crowd(profile, most + 1))


def crowd(profile: Profile, count: int) -> Profile:
    """The profile with so many nodes, those that come on top like the last one."""
    nodes = [*profile.node]
    step = nodes[-1].address - nodes[-2].address
    while len(nodes) < count:
        last = nodes[-1]
        more = {"name": f"more {len(nodes)}", "address": last.address + step}
        nodes.append(last.model_copy(update=more))
    return profile.model_copy(update={"node": nodes})


# --- random boards --------------------------------------------------------------------

PATHS = ("output.clock", "bus.baud", "output.devices", EACH, BODY, FIXED)


def no_edge_before_its_limit(seed: int, paths: Sequence[str], logs: Path) -> int:
    """Look for edges of a random board in both directions; how many were found.

    None lies before the budget's limit; where it lies far behind, the line is named.
    """
    made = worlds.profile(seed)
    count = 0
    if not budget(made).fits:
        return 0
    template = Template.of_profile(made)
    for path in paths:
        solution = solve(template.profile, path)
        sides = (solution.lowest, 1 / 1.5), (solution.highest, 1.5)
        for limit, factor in sides:
            now, kind = solution.now, solution.kind
            if not limit or not now:
                continue
            far = round(limit * factor) + (kind is None and factor > 1)
            ends = [kind.text(one) if kind else str(one) for one in (now, max(1, far))]
            if ends[0] == ends[1]:
                continue
            edge = bench.edge(
                made, path, *ends, seed=1, repeats=1, duration="200ms", logs=logs
            )
            why = (seed, path, ends, limit, edge.reason)
            note = edge.figures["notes"][-1] if edge.figures["notes"] else ""
            assert edge.figures["last_good"] is not None, why
            assert "past the edge" not in note, why
            assert note.startswith(f"budget: {path} = "), why
            last, first = edge.figures["last_good"], edge.figures["first_bad"]
            if edge.verdict == "PASS" and "past what" not in note:
                off = (last - limit) / last * (1 if factor > 1 else -1)
                assert off <= AGREE or "no trial met" in note, why
                assert off >= -1.02 * abs(first - last) / last, why
            count += 1
    return count


def test_random_boards(tmp_path: Path) -> None:
    """The budget's limit is never behind the edge, on every path that can be solved."""
    found_so_far = 0
    for seed in range(48):
        path = PATHS[seed % len(PATHS)]
        found_so_far += no_edge_before_its_limit(seed, [path], tmp_path)
    assert found_so_far >= 8


@pytest.mark.night
def test_random_boards_at_length(tmp_path: Path) -> None:
    """Likewise on many more, each on all paths."""
    found_so_far = sum(
        no_edge_before_its_limit(seed, PATHS, tmp_path) for seed in range(48, 400)
    )
    assert found_so_far >= 300
