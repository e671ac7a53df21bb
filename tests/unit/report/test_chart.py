"""The chart: what its signs say without any colour, and where its values stand."""

from __future__ import annotations

from typing import Any

from bench.report.chart import SIGNS, cell_of, chart, letters_of, worst_of
from bench.report.page import Page
from bench.trial.sweep.state import State


def record(state: str, index: int = 0, **more: Any) -> dict[str, Any]:
    """One point."""
    return {"index": index, "state": state, "cause": "", **more}


def causes(*texts: str, state: str = "fail") -> list[dict[str, Any]]:
    """Causes, the most frequent first."""
    return [{"state": state, "cause": text} for text in texts]


def test_every_state_has_a_sign_of_its_own() -> None:
    """States are told apart by their signs alone."""
    assert set(SIGNS) | {"fail"} == {state.value for state in State}
    signs = [sign for sign, _, _ in SIGNS.values()]
    assert len(set(signs)) == len(signs)
    assert not any(sign.isalnum() for sign in signs)


def test_letters() -> None:
    """A letter for each cause of a failure; the last for all that have none."""
    assert letters_of(causes("x", "y")) == {"x": "a", "y": "b"}
    assert letters_of(causes("x", state="marginal")) == {}
    many = letters_of(causes(*(f"cause {k}" for k in range(30))))
    assert many["cause 0"] == "a"
    assert many["cause 24"] == "y"
    assert {many[f"cause {k}"] for k in range(25, 30)} == {"z"}


def test_cells() -> None:
    """What gave way, how much of it, and what the budget says."""
    letters = {"x": "a"}
    lost = [
        cell_of(record("fail", cause="x", loss_rate=rate), letters).text
        for rate in (0.0, 0.04, 0.1, 0.55, 0.999, 1.0, None)
    ]
    assert lost == ["a0", "a0", "a1", "a5", "a9", "a9", "a"]
    assert cell_of(record("pass"), letters).text == "·"
    assert cell_of(None, letters).text == " "
    assert cell_of(record("pass", 7), letters, {7}).text == "·'"
    worst = cell_of(record("fail", 7, cause="new", loss_rate=1.0), letters, {7})
    assert worst.text == "z9'"


def test_worst() -> None:
    """Of several points the one that is the furthest from good."""
    points = [record(state) for state in ("pass", "cannot be sent", "void")]
    assert worst_of(points) == points[2]
    lossy = [record("fail", loss_rate=rate) for rate in (0.1, 0.9, None)]
    assert worst_of([*points, record("marginal"), *lossy]) == lossy[1]
    assert worst_of([]) is None


def drawn(across: list[str], down: list[str], columns: int) -> list[str]:
    """The lines of a chart whose points all pass but the last of each row."""
    points = [
        record("fail" if x == across[-1] else "pass", cause="x", point={"x": x, "y": y})
        for x in across
        for y in down
    ]
    page = Page(10, 80)
    axes = [{"name": "x", "values": across}, {"name": "y", "values": down}]
    chart(page, points, axes, lambda point: cell_of(point, {"x": "a"}), columns)
    return page.plain().splitlines()


def test_a_value_stands_over_its_column() -> None:
    """Ticks are over their columns, the first and the last value always named."""
    lines = drawn([f"{k} MHz" for k in range(1, 9)], ["0", "50 %"], 80)
    heads, ticks, *rows = lines[:4]
    for at, tick in enumerate(ticks):
        if tick == "╷":
            assert (at - 10) % 2 == 0
            assert heads[at].isdigit()
    assert heads.endswith("8 MHz")
    assert "1 MHz" in heads
    assert rows == [
        "  0       " + "· " * 7 + "a",
        "  50 %    " + "· " * 7 + "a",
    ]


def test_a_wide_chart_goes_on_below() -> None:
    """Blocks of columns that fit, none of which is lost."""
    for columns in (40, 80, 140):
        lines = drawn([str(k) for k in range(60)], ["only"], columns)
        assert max(len(line) for line in lines) <= columns
        rows = [line for line in lines if line.startswith("  only")]
        signs = "".join(row[10:].replace(" ", "") for row in rows)
        assert signs == "·" * 59 + "a"
