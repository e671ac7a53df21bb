"""The colours and the frame of every chart.

The hues are told apart by people who see red and green alike (they differ in
lightness as well), and no meaning hangs on a hue alone: what is void is hatched, what
is lost stands up as a stem, and states have shapes.
"""

from __future__ import annotations

import math
from functools import partial
from html import escape
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

INK, FAINT, RULE = "#22262b", "#585d63", "#dfdbd2"
PAPER = "#fdfcf9"
RATE, RATE_FILL = "#2c5f8a", "rgba(44,95,138,0.13)"
LOST = "#c0442a"
BLAMED = "#7d2b6b"
BAND, MEDIAN = "rgba(38,122,112,0.20)", "#1f6b62"
HIGH = "#2b8c80"
BOUND = "#8a5a12"
HOST, MEMORY = "#5d5391", "#a0792c"
VOID, VOID_FILL = "#77716a", "rgba(119,113,106,0.07)"
KEPT = "#9cc4b4"
READING = "#4c5c6b"
MOST = "rgba(43,140,128,0.55)"
EVENT = "rgba(88,93,99,0.5)"
NEVER = "rgba(0,0,0,0)"

PAIRS = {
    INK: "#e8e5de",
    FAINT: "#aaa8a2",
    RULE: "#363b41",
    PAPER: "#14171a",
    RATE: "#86b9e0",
    RATE_FILL: "rgba(134,185,224,0.16)",
    LOST: "#f58c6e",
    BLAMED: "#d99bcb",
    BAND: "rgba(104,197,185,0.24)",
    MEDIAN: "#86d3c7",
    HIGH: "#55a89c",
    BOUND: "#dfb069",
    HOST: "#b3a8e6",
    MEMORY: "#d7b56c",
    VOID: "#9a948b",
    VOID_FILL: "rgba(154,148,139,0.10)",
    KEPT: "#3f7566",
    READING: "#a9b9c8",
    MOST: "rgba(104,197,185,0.5)",
    EVENT: "rgba(170,168,162,0.5)",
}
"""Every colour of a chart, and what it is in the dark."""

FACE = 'system-ui, -apple-system, "Segoe UI", "Liberation Sans", sans-serif'


def plain(text: str) -> str:
    """Text that people wrote, for the library, which takes tags for its own."""
    return escape(text, quote=False)


def frame(height: int, **more: Any) -> dict[str, Any]:
    """A layout without anything that does not tell something."""
    return {
        "height": height,
        "margin": {"l": 52, "r": 22, "t": 26, "b": 40},
        "paper_bgcolor": NEVER,
        "plot_bgcolor": NEVER,
        "font": {"family": FACE, "size": 12.5, "color": FAINT},
        "showlegend": False,
        "hoverlabel": {
            "bgcolor": PAPER,
            "bordercolor": RULE,
            "font": {"family": FACE, "size": 12.5, "color": INK},
        },
        "dragmode": "zoom",
        **more,
    }


def axis(**more: Any) -> dict[str, Any]:
    """An axis of quantities: faint lines, few ticks."""
    return {
        "gridcolor": RULE,
        "gridwidth": 1,
        "zeroline": False,
        "showline": False,
        "ticks": "",
        "nticks": 4,
        "fixedrange": True,
        "automargin": False,
        **more,
    }


_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")

_MOST_POWERS = 4


def powers(least: float, most: float) -> dict[str, Any]:
    """Range and ticks of an axis on a scale of powers of ten.

    Args:
        least: Its least value.
        most: Its greatest one.
    """
    low, high = (math.log10(max(one, 1e-18)) for one in (least, most))
    room = 0.06 * max(high - low, 0.5)
    whole = range(math.ceil(low - room), math.floor(high + room) + 1)
    every = max(1, math.ceil(len(whole) / _MOST_POWERS))
    shown = [power for power in whole if power % every == 0]
    texts = ["10" + str(power).translate(_RAISED) for power in shown]
    return {
        "range": [low - room, high + room],
        "tickmode": "array",
        "tickvals": [10.0**power for power in shown],
        "ticktext": ["1" if text == "10⁰" else text for text in texts],
    }


def along(**more: Any) -> dict[str, Any]:
    """An axis on which things lie side by side."""
    return {
        "showgrid": False,
        "zeroline": False,
        "showline": True,
        "linecolor": FAINT,
        "linewidth": 1,
        "ticks": "outside",
        "ticklen": 5,
        "tickcolor": FAINT,
        **more,
    }


def title(text: str, y: float, **more: Any) -> dict[str, Any]:
    """The title of a lane, above its left end."""
    return {
        "text": plain(text),
        "xref": "paper",
        "yref": "paper",
        "x": 0,
        "y": y,
        "xanchor": "left",
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 12.5, "color": INK},
        "yshift": 3,
        **more,
    }


def made(
    traces: Sequence[Mapping[str, Any]], layout: Mapping[str, Any]
) -> Callable[[], str]:
    """A figure that the library makes when it is really drawn."""
    return partial(_made, traces, layout)


def _made(traces: Sequence[Mapping[str, Any]], layout: Mapping[str, Any]) -> str:
    """A figure, checked by the library, as JSON that may stand in a page.

    Raises:
        UsageError: If the library is not installed.
    """
    try:
        import plotly.graph_objects as go
    except ImportError as error:
        raise no_library() from error
    figure = go.Figure({"data": list(traces), "layout": dict(layout)})
    figure.layout.template = None
    text: str = figure.to_json()
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def no_library() -> UsageError:
    """What to raise where the plotting library is missing."""
    what = "drawing needs a library that is not installed"
    mend = "pip install 'nightbench[page]', or --format md"
    return UsageError(Fault(what, "plotly", mend=mend))
