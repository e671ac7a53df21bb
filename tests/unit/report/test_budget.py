"""The screen of a budget, at every width."""

from __future__ import annotations

import pytest

from bench.budget import BudgetLine, budget, solve
from bench.budget.line import Budget
from bench.profile import load_profile, shipped_profiles
from bench.report.budget import budget_page


@pytest.mark.parametrize("name", shipped_profiles())
@pytest.mark.parametrize("width", [80, 100, 140])
@pytest.mark.parametrize("formulas", [False, True])
def test_within_the_width(name: str, width: int, formulas: bool) -> None:
    """No line is longer than the page is wide."""
    found = budget(load_profile(name))
    text = budget_page(found, width, formulas=formulas).plain()
    assert max(len(line) for line in text.splitlines()) <= width


def test_rows() -> None:
    """Name, value, limit, what is left, and the share of the limit that this is."""
    text = budget_page(budget(load_profile("causeway"))).plain()
    lines = [" ".join(line.split()) for line in text.splitlines()]
    for row in (
        "bus character 2.5 us",
        "bus load 92 % < 100 % 8.04 %",
        "receiver FIFO slack 1.3 us < 12.5 us 11.2 us 89 %",
        "length x rate, strict 8e+07 < 1e+07 -7e+07 caution",
    ):
        assert row in lines


def test_notes_where_there_is_room() -> None:
    """A wide page says where a figure comes from."""
    found = budget(load_profile("causeway"))
    assert "own 76.96 %, foreign 15 %" not in budget_page(found, 80).plain()
    assert "own 76.96 %, foreign 15 %" in budget_page(found, 140).plain()


def test_kinds_of_nodes() -> None:
    """Each kind has a heading of its own."""
    found = budget(load_profile("causeway", ["node.2.output.clock=500 kHz"]))
    text = budget_page(found).plain()
    assert "nodes      slack-water and 2 more\n" in text
    assert "nodes      flood-gate\n" in text


def test_what_is_missing() -> None:
    """Gathered at the end, each with the keys that would say it."""
    text = " ".join(budget_page(budget(load_profile("causeway"))).plain().split())
    assert "packet loss: bus.bit_error_ratio;" in text


def test_no_bound() -> None:
    """What has no bound is said to have none, and is marked."""
    found = budget(load_profile("causeway", ["bus.baud=12 Mbaud"]))
    text = budget_page(found).plain()
    assert "FIFO slack               no bound" in text
    (row,) = [line for line in text.splitlines() if "FIFO slack" in line]
    assert row.endswith("◂")


def test_one_limit_that_is_passed() -> None:
    """It is named with value and limit."""
    line = BudgetLine("burst", "output", "ns", 2000, 1000)
    text = budget_page(Budget("p", "", (line,))).plain()
    assert "p: burst gives way, 2 us where at most 1 us is allowed" in text


def test_a_quantity_without_a_limit() -> None:
    """Nothing limits it, and the screen says that."""
    load = lambda more: load_profile("causeway", more)  # noqa: E731
    found = solve(load, "traffic.dither")
    text = budget_page(budget(load([])), solutions=[found]).plain()
    assert "nothing limits traffic.dither" in text
