"""Runs of many trials: the map of a sweep, the trace of an edge, upsets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.report.night.blocks import Block, Cell, Chapter, Chart, Fold, Grid, Words
from bench.report.night.charts.search import TRACE_HEIGHT, edge_trace, sweep_map
from bench.report.night.reading import (
    chance,
    count,
    many,
    number,
    part,
    share,
    texts,
    time,
    whole,
    words,
)
from bench.report.night.told.opening import ROLES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.report.page import Role

    Record = Mapping[str, Any]

_POINTS = 200
_TRIED = 200
_MOST_CELLS = 10_000

_WORST = (
    "pass",
    "not tried",
    "cannot be sent",
    "void",
    "marginal",
    "worker died",
    "fail",
)
"""States, from what says least against a point to what says most."""

_STATES: dict[str, Role] = {"pass": "good", "marginal": "open", "fail": "bad"}


# --- sweep ----------------------------------------------------------------------------


def sweep_chapter(verdict: Record, records: Sequence[Record]) -> Chapter | None:
    """The points of a sweep; None where the run is none."""
    axes = many(verdict, "axes")
    points = [row for row in records if part(row, "point") and words(row, "state")]
    if not axes or not points:
        return None
    blocks: list[Block] = [*_map(axes, points)]
    names = [words(axis, "name") for axis in axes]
    heads = [*names, "state", "not as sent", "at most", "cause"]
    rows: list[list[Cell | str]] = []
    for row in sorted(points, key=lambda row: whole(row, "index") or 0)[:_POINTS]:
        state = words(row, "state")
        loss, upper = number(row, "loss_rate"), number(row, "loss_upper")
        figures = ("–" if one is None else share(one, 3) for one in (loss, upper))
        where = [words(row, "point", name) or "–" for name in names]
        cause = words(row, "cause") or "–"
        rows.append([*where, Cell(state, _STATES.get(state, "open")), *figures, cause])
    title = f"All {count(len(points))} points"
    if len(points) > _POINTS:
        title = (
            f"The first {_POINTS} of {count(len(points))} points; points.csv has all"
        )
    at = len(names)
    left = (*range(1, at + 1), at + 3)
    grid = Grid(title, heads, rows, left)
    blocks.append(Fold("The same as figures", [grid], printed=len(rows) <= 60))
    blocks += [Words(f"{text}.") for text in texts(verdict, "notes")]
    return Chapter("sweep", "The map", blocks)


def _map(axes: Sequence[Record], points: Sequence[Record]) -> list[Block]:
    """The points in their places; of further axes the worst is shown."""
    across = texts(axes[0], "values")
    down = texts(axes[1], "values") if len(axes) > 1 else [""]
    names = words(axes[0], "name"), words(axes[1], "name") if len(axes) > 1 else ""
    if not across or not down or len(across) * len(down) > _MOST_CELLS:
        return []
    cells: dict[tuple[int, int], tuple[float | None, str, str]] = {}
    for row in points:
        where = part(row, "point")
        x_text, y_text = (
            words(where, names[0]),
            words(where, names[1]) if names[1] else "",
        )
        if x_text not in across or y_text not in down:
            continue
        place = across.index(x_text), down.index(y_text)
        state, loss = words(row, "state"), number(row, "loss_rate")
        new = loss, state, words(row, "cause")
        if place not in cells or _rank(new) > _rank(cells[place]):
            cells[place] = new
    if not cells:
        return []
    figure, height = sweep_map(across, down, names, cells)
    states: dict[str, int] = {}
    for _, state, _ in cells.values():
        states[state] = states.get(state, 0) + 1
    told = ", ".join(f"{count(n)} {state}" for state, n in states.items())
    text = f"{names[0]} across" + (f", {names[1]} down" if names[1] else "")
    text += f": {told}. Green is as it should be; from pale to dark, more and more "
    text += "was lost; a cell without a shade has no loss to tell of."
    if len(axes) > 2:
        rest = ", ".join(words(axis, "name") for axis in axes[2:])
        text += f" Each cell is the worst over {rest}."
    return [
        Chart("map", "Share of the packets not shown as sent", text, figure, height)
    ]


def _rank(cell: tuple[float | None, str, str]) -> tuple[int, float]:
    """How bad a point is."""
    loss, state, _ = cell
    known = _WORST.index(state) if state in _WORST else 0
    return known, loss if loss is not None else -1.0


# --- edge -----------------------------------------------------------------------------


def edge_chapter(verdict: Record) -> Chapter | None:
    """How an edge was found; None where the run is no search."""
    found = part(verdict, "edge") or verdict
    tried = [row for row in many(verdict, "values") if number(row, "value") is not None]
    if not tried:
        return None
    values = [number(row, "value") or 0.0 for row in tried]
    logarithmic = words(verdict, "scale") == "log" and min(values) > 0
    vary = words(verdict, "vary")
    figure = edge_trace(tried, found, logarithmic=logarithmic)
    parts = [f"{vary}, {count(len(tried))} values tried"]
    for name, key in (("last good", "last_good_text"), ("first bad", "first_bad_text")):
        if text := words(found, key):
            parts.append(f"{name} {text}")
    if text := words(found, "budget", "limit_text"):
        parts.append(f"by the budget {text}, {words(found, 'budget', 'by')}")
    chart = Chart(
        "trace",
        f"How the edge of {vary} was found",
        "; ".join(parts) + ".",
        figure,
        TRACE_HEIGHT,
    )
    rows: list[list[Cell | str]] = [
        [
            words(row, "text"),
            Cell(words(row, "state"), _STATES.get(words(row, "state"), "open")),
            count(whole(row, "trials")),
            count(whole(row, "offered")),
            count(whole(row, "shown")),
            words(row, "cause") or "–",
        ]
        for row in sorted(tried, key=lambda row: number(row, "value") or 0)[:_TRIED]
    ]
    heads = [vary, "state", "trials", "offered", "shown", "cause"]
    grid = Grid("Values, from the least on", heads, rows, left=(1, 5))
    blocks: list[Block] = [chart, *_evidence(found)]
    blocks.append(Fold("The same as figures", [grid], printed=True))
    blocks += [Words(f"{text}.") for text in texts(verdict, "notes")]
    return Chapter("edge", "The edge", blocks)


def _evidence(found: Record) -> list[Block]:
    """What the two ends of the edge rest on."""
    rows: list[list[Cell | str]] = []
    for name, key in (("last good", "last_good"), ("first bad", "first_bad")):
        end = part(found, "evidence", key)
        if end:
            rows.append(
                [
                    f"{name}: {words(found, f'{key}_text')}",
                    count(whole(end, "trials")),
                    count(whole(end, "failed")),
                    count(whole(end, "offered")),
                    count(whole(end, "lost")),
                    chance(number(end, "loss_upper")),
                ]
            )
    heads = ["end", "trials", "failed", "offered", "lost", "loss below"]
    return [Grid("What the edge rests on", heads, rows)] if rows else []


# --- upsets ---------------------------------------------------------------------------


def upsets_chapter(verdict: Record) -> Chapter | None:
    """What each upset did, and how the nodes came back; None where there was none."""
    upsets = many(verdict, "upsets")
    if not upsets:
        return None
    rows: list[list[Cell | str]] = []
    for upset in upsets:
        word = words(upset, "verdict")
        slowest = _slowest(many(upset, "nodes"))
        wrong = sum(whole(node, "wrong") or 0 for node in many(upset, "nodes"))
        rows.append(
            [
                words(upset, "upset"),
                Cell(word or "–", ROLES.get(word, "open")),
                words(slowest, "name") or "–",
                _packet(slowest, "first"),
                _packet(slowest, "bound"),
                time(number(slowest, "after_ns"), 4),
                Cell(count(wrong), "bad" if wrong else ""),
                words(upset, "what"),
            ]
        )
    heads = ["upset", "verdict", "slowest node", "shows at packet", "bound", "after"]
    heads += ["wrong bursts", "what it is"]
    blocks: list[Block] = [
        Words("Packets are counted from the instant at which the line was good again."),
        Grid("Upsets, and how the slowest node came back", heads, rows, left=(1, 2, 7)),
    ]
    blocks += [Words(f"{text}.") for text in texts(verdict, "notes")]
    return Chapter("upsets", "Upsets", blocks)


def _slowest(nodes: Sequence[Record]) -> Record:
    """The node that came back last; one that never did before all."""
    if not nodes:
        return {}

    def order(node: Record) -> tuple[bool, float]:
        after = number(node, "after_ns")
        return after is None, after or 0.0

    return max(nodes, key=order)


def _packet(node: Record, key: str) -> str:
    value = whole(node, key)
    return "never" if value is None and node else count(value) if node else "–"
