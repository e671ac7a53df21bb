"""How latency is distributed: how many took so long, and how many took longer.

The upper lane is the usual one, packets by time.  The lower one is what matters at
night, on a scale of powers of ten: which share of the packets took longer than so
long.  One packet in a million is a point there, and invisible above.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.report.night.charts import ink
from bench.report.night.reading import time

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

HEIGHT = 330

_MS = 1e-6

_ROOM = 0.22
"""Share of the axis that the name of a line takes, on a narrow screen."""

_WIDE = 20.0
"""Where the longest took so many times the shortest, time is on a scale of powers."""


def spread_chart(
    first_ns: Floats,
    last_ns: Floats,
    count: Floats,
    marks: Sequence[tuple[str, float]] = (),
) -> Callable[[], str]:
    """The figure of one distribution.

    Args:
        first_ns: Least time of each row.
        last_ns: Greatest time of each row.
        count: How many there were.
        marks: Quantiles and limits: a name, and a time in nanoseconds.
    """
    low, high = first_ns * _MS, (last_ns + 1) * _MS
    share = count / count.sum()
    layout = ink.frame(HEIGHT, hovermode="x unified", hoversubplots="axis", bargap=0)
    layout["margin"] |= {"t": 44}
    logarithmic = low[0] > 0 and high[-1] > _WIDE * low[0]
    layout["xaxis"] = ink.along(
        title={"text": "milliseconds", "standoff": 6, "font": {"size": 12.5}},
        anchor="y2",
        fixedrange=True,
        type="log" if logarithmic else "linear",
        exponentformat="none",
    )
    layout["yaxis"] = ink.axis(domain=[0.6, 1], rangemode="tozero", tickformat=".0%")
    scale = ink.powers(1 / count.sum(), 1)
    layout["yaxis2"] = ink.axis(domain=[0, 0.42], type="log", **scale)
    layout["annotations"] = [
        ink.title("Share of the packets that took so long", 1, yshift=18),
        ink.title("Share that took longer", 0.42),
        *_names(marks, logarithmic=logarithmic),
    ]
    layout["shapes"] = [_mark(ns * _MS) for _, ns in marks]
    return ink.made([_outline(low, high, share), _tail(high, share)], layout)


def _outline(low: Floats, high: Floats, share: Floats) -> dict[str, Any]:
    """Rows as a filled outline."""
    flat = np.column_stack([low, low, high, high]).ravel()
    zeros = np.zeros(len(low))
    y = np.column_stack([zeros, share, share, zeros]).ravel()
    return {
        "type": "scatter",
        "x": flat,
        "y": y,
        "mode": "lines",
        "line": {"color": ink.RATE, "width": 1},
        "fill": "tozeroy",
        "fillcolor": ink.RATE_FILL,
        "hovertemplate": "%{y:.4%} in this step<extra></extra>",
    }


def _tail(high: Floats, share: Floats) -> dict[str, Any]:
    """How many took longer than each time; the last of them none."""
    longer = np.maximum(1 - np.cumsum(share), 0)[:-1]
    return {
        "type": "scatter",
        "x": high[:-1],
        "y": np.where(longer > 1e-15, longer, np.nan),
        "yaxis": "y2",
        "mode": "lines+markers" if len(high) < 80 else "lines",
        "marker": {"size": 3.5, "color": ink.RATE},
        "line": {"color": ink.RATE, "width": 1.5, "shape": "hv"},
        "hovertemplate": "%{y:.3e} longer than %{x:.4f} ms<extra></extra>",
    }


def _mark(x: float) -> dict[str, Any]:
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": x,
        "x1": x,
        "y0": 0,
        "y1": 1,
        "line": {"color": ink.FAINT, "width": 1, "dash": "dot"},
        "layer": "below",
    }


def _names(
    marks: Sequence[tuple[str, float]], *, logarithmic: bool
) -> list[dict[str, Any]]:
    """The name of each line, where it does not cover another one."""
    named: list[dict[str, Any]] = []
    taken: list[float] = []
    least, most = marks[0][1], marks[-1][1]
    for name, ns in reversed(marks):
        place = (ns - least) / max(most - least, 1)
        if any(abs(place - other) < _ROOM for other in taken):
            continue
        taken.append(place)
        x = float(np.log10(ns * _MS)) if logarithmic else ns * _MS
        named.append(
            ink.title(f"{name} {time(ns)}", 1, x=x, xref="x", xanchor="right")
            | {"yanchor": "bottom", "yshift": 1, "font": {"size": 11}}
        )
    return named
