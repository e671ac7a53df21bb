"""The map of a sweep, and the trace of a search for an edge."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.units import format_rate
from bench.report.night.charts import ink
from bench.report.night.reading import number, words

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    Record = Mapping[str, Any]

_SHADES = [
    [0.0, "#9dc5b5"],
    [0.0005, "#f1dcae"],
    [0.35, "#e39a6b"],
    [1.0, "#8e2f1d"],
]
"""From nothing lost over little to all: light to dark, so that it reads in grey too."""

_LITTLE = 0.01
"""Where something else than loss is wrong, a cell is shaded as by so much of it."""

_WRITTEN = 400
"""Cells that bear their word; in more it could not be read."""

_ALL = 0.995
"""From such a share on, all of it was lost, for a cell."""

_LABELS = 14
"""Signs of a value at an axis."""

TRACE_HEIGHT = 340


def sweep_map(
    across: Sequence[str],
    down: Sequence[str],
    names: tuple[str, str],
    cells: Mapping[tuple[int, int], tuple[float | None, str, str]],
) -> tuple[Callable[[], str], int]:
    """The map, and its height in pixels.

    Args:
        across: Values of the axis that goes across.
        down: Values of the one that goes down.
        names: Of the two.
        cells: By place across and down: share not shown as sent, state, and more words.
    """
    shape = len(down), len(across)
    z = np.full(shape, np.nan)
    text = np.full(shape, "", object)
    hover = np.full(shape, "", object)
    for (x, y), (loss, state, more) in cells.items():
        bad = _LITTLE if state in ("fail", "marginal") else 0.0
        z[y, x] = np.nan if loss is None else max(loss, bad)
        text[y, x] = _short(state, loss)
        where = f"{names[0]} {across[x]}, {names[1]} {down[y]}"
        hover[y, x] = ink.plain(f"{where}: {state} {more}")
    height = 96 + min(46, max(18, 520 // max(1, len(down)))) * len(down)
    trace = {
        "type": "heatmap",
        "z": z,
        "x": np.arange(len(across)),
        "y": np.arange(len(down)),
        "zmin": 0,
        "zmax": 1,
        "colorscale": _SHADES,
        "showscale": False,
        "xgap": 2,
        "ygap": 2,
        "customdata": hover.tolist(),
        "hovertemplate": "%{customdata}<extra></extra>",
    }
    layout = ink.frame(height, hovermode="closest", dragmode=False)
    layout["margin"] = {"l": 92, "r": 10, "t": 12, "b": 64}
    layout["xaxis"] = _values(across, names[0])
    layout["yaxis"] = {**_values(down, names[1]), "autorange": "reversed"}
    if z.size <= _WRITTEN:
        layout["annotations"] = _written(text, z)
    return ink.made([trace], layout), height


def _written(text: Any, z: Any) -> list[dict[str, Any]]:
    """The word of every cell, in ink that stands out from its shade."""
    notes = []
    for (y, x), word in np.ndenumerate(text):
        if not word:
            continue
        loss = z[y, x]
        color = ink.FAINT
        if np.isfinite(loss):
            color = "#ffffff" if loss > 0.6 else "#1d2125"
        note = ink.title(word, int(y), x=int(x), xref="x", yref="y", yshift=0)
        font = {"size": 11, "color": color}
        notes.append(note | {"xanchor": "center", "yanchor": "middle", "font": font})
    return notes


def _short(state: str, loss: float | None) -> str:
    """What a cell says."""
    if state == "fail" and loss is not None and 0 < loss < _ALL:
        return f"{100 * loss:.2g} %"
    return {"cannot be sent": "·", "not tried": "", "worker died": "died"}.get(
        state, state
    )


def _values(values: Sequence[str], name: str) -> dict[str, Any]:
    """An axis with a value for every step."""
    every = max(1, -(-len(values) // 24))
    places = list(range(0, len(values), every))
    labels = [ink.plain(values[k][:_LABELS]) for k in places]
    return {
        "tickmode": "array",
        "tickvals": places,
        "ticktext": labels,
        "title": {"text": ink.plain(name), "standoff": 10, "font": {"size": 12.5}},
        "showgrid": False,
        "zeroline": False,
        "ticks": "",
        "fixedrange": True,
        "automargin": True,
    }


_SIGNS = {
    "pass": ("circle", ink.MEDIAN),
    "marginal": ("diamond", ink.BOUND),
    "fail": ("x", ink.LOST),
}
"""Shape and colour of each state; others are hollow."""


def edge_trace(
    tried: Sequence[Record], verdict: Record, *, logarithmic: bool
) -> Callable[[], str]:
    """The values in the order in which they were tried, and where the edge is.

    Args:
        tried: The values, each with its state.
        verdict: That of the search.
        logarithmic: Whether values are on a scale of powers.
    """
    values = [number(row, "value") for row in tried]
    order = list(range(1, len(tried) + 1))
    traces: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "x": order,
            "y": values,
            "mode": "lines",
            "line": {"color": ink.RULE, "width": 1.2},
            "hoverinfo": "skip",
        }
    ]
    for state in dict.fromkeys(words(row, "state") for row in tried):
        sign, color = _SIGNS.get(state, ("circle-open", ink.VOID))
        rows = [k for k, row in enumerate(tried) if words(row, "state") == state]
        said = [f"{words(tried[k], 'text')}: {state}" for k in rows]
        causes = [words(tried[k], "cause") for k in rows]
        told = zip(said, causes, strict=True)
        traces.append(
            {
                "type": "scatter",
                "x": [order[k] for k in rows],
                "y": [values[k] for k in rows],
                "mode": "markers",
                "marker": {"symbol": sign, "size": 9, "color": color},
                "customdata": [ink.plain(", ".join(filter(None, row))) for row in told],
                "hovertemplate": "%{customdata}<extra></extra>",
            }
        )
    layout = ink.frame(TRACE_HEIGHT, hovermode="closest", dragmode=False)
    layout["margin"] |= {"l": 70, "b": 46}
    layout["xaxis"] = ink.along(
        title={
            "text": "values in the order in which they were tried",
            "standoff": 8,
            "font": {"size": 12.5},
        },
        fixedrange=True,
        range=[0.4, len(tried) + 0.6],
        tickformat="d",
    )
    known = [value for value in values if value is not None]
    places = _places(min(known), max(known), logarithmic=logarithmic)
    unit = words(verdict, "unit")
    layout["yaxis"] = ink.axis(
        type="log" if logarithmic else "linear",
        tickmode="array",
        tickvals=places,
        ticktext=[ink.plain(format_rate(place, unit, 4)) for place in places],
    )
    layout["shapes"], layout["annotations"] = _levels(verdict, logarithmic=logarithmic)
    return ink.made(traces, layout)


def _places(least: float, most: float, *, logarithmic: bool) -> list[float]:
    """Round values for the ticks of an axis."""
    if not logarithmic:
        step = (most - least) / 5 or 1.0
        power = 10.0 ** np.floor(np.log10(step))
        step = float(power * next(k for k in (1, 2, 5, 10) if k * power >= step))
        first = int(np.floor(least / step))
        return [k * step for k in range(first, int(np.ceil(most / step)) + 1)]
    low, high = int(np.floor(np.log10(least))), int(np.ceil(np.log10(most)))
    return [
        k * 10.0**power
        for power in range(low, high + 1)
        for k in ((1, 2, 5) if high - low <= _FEW_POWERS else (1,))
        if least / 2 <= k * 10.0**power <= most * 2
    ]


_FEW_POWERS = 3


def _levels(
    verdict: Record, *, logarithmic: bool
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Lines at the last good value, the first bad one, and what the budget says."""
    lines, notes = [], []
    levels = (
        ("last good", number(verdict, "last_good"), ink.MEDIAN, "solid", "left"),
        ("first bad", number(verdict, "first_bad"), ink.LOST, "solid", "left"),
        ("budget", number(verdict, "budget", "limit"), ink.FAINT, "dash", "right"),
    )
    for name, value, color, dash, side in levels:
        if value is None or (logarithmic and value <= 0):
            continue
        lines.append(
            {
                "type": "line",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": value,
                "y1": value,
                "line": {"color": color, "width": 1, "dash": dash},
                "layer": "below",
            }
        )
        y = float(np.log10(value)) if logarithmic else value
        note = ink.title(name, y, yref="y", x=0 if side == "left" else 1, xanchor=side)
        below = name == "last good"
        note |= {"yanchor": "top" if below else "bottom", "yshift": 0}
        notes.append(note | {"font": {"size": 11, "color": color}})
    return lines, notes
