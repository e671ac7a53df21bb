"""The night as a ribbon: lanes above one another along one axis of time.

The top lane is the ribbon itself, what each moment was worth: shown, lost, void, or not
there at all.  Below it stand rate, loss, the bound reached, the band of latency, the
health of the host and what a user's command read.  A stretch that says nothing is
hatched through all lanes, and events run through them as fine lines.

A loss is a stem of its own and not an area: a single packet of a whole night must be
seen without zooming.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.report.night.charts import ink, shapes
from bench.report.night.reading import clock

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from bench.report.night.course import Course, Event

    Floats = NDArray[np.float64]

_TITLE = 30
"""Pixels above a lane for its title."""

_ABOVE, _BELOW = 30, 40
"""Pixels above the first lane and under the last one."""

_CLOSE = 0.035
"""Events closer than this share of the run share a number's place."""

_DRAWN = 400
"""Events that are drawn; the table has more."""


@dataclass(slots=True)
class _Lanes:
    """Lanes from the top down, as they are put together."""

    traces: list[dict[str, Any]] = field(default_factory=list)
    heights: list[int] = field(default_factory=list)
    titles: list[str] = field(default_factory=list)
    axes: list[dict[str, Any]] = field(default_factory=list)

    def add(self, title: str, height: int, axis: dict[str, Any]) -> None:
        """Begin a lane."""
        self.titles.append(title)
        self.heights.append(height)
        self.axes.append(axis)

    def draw(self, **trace: Any) -> None:
        """Draw in the lane that was begun last."""
        at = len(self.heights)
        trace = shapes.short({"type": "scatter", "hoverinfo": "skip", **trace})
        self.traces.append({**trace, "yaxis": "y" if at == 1 else f"y{at}"})

    @property
    def height(self) -> int:
        """Of the whole chart, in pixels."""
        return _ABOVE + _BELOW + sum(self.heights) + _TITLE * (len(self.heights) - 1)


def ribbon(course: Course, events: Sequence[Event]) -> tuple[Callable[[], str], int]:
    """The figure of a course, and its height in pixels."""
    lanes = _Lanes()
    _worth(lanes, course)
    _rate(lanes, course)
    _losses(lanes, course)
    _bound(lanes, course)
    _latency(lanes, course)
    _host(lanes, course)
    _readings(lanes, course)
    layout = _layout(lanes, course, events)
    return ink.made([*lanes.traces, _hatched(course)], layout), lanes.height


# --- lanes ----------------------------------------------------------------------------


def _worth(lanes: _Lanes, course: Course) -> None:
    """What each moment was worth."""
    lanes.add("", 20, ink.axis(range=[0, 1], visible=False))
    good = ~course.void & np.isfinite(course.columns["shown"])
    lanes.draw(
        **shapes.areas(course, good),
        fillcolor=ink.KEPT,
        mode="none",
        name="shown",
        line={},
    )
    bad = np.flatnonzero(np.nan_to_num(course.unshown) > 0)
    wrong = np.flatnonzero(np.nan_to_num(course.blamed) > 0)
    bad = np.union1d(bad, wrong)
    x, y = shapes.stems(shapes.middle(course)[bad], np.ones(len(bad)))
    lanes.draw(x=x, y=y, mode="lines", line={"color": ink.LOST, "width": 2})
    texts = [_moment(course, k) for k in range(len(course))]
    lanes.draw(
        x=shapes.middle(course),
        y=np.full(len(course), 0.5),
        mode="markers",
        marker={"opacity": 0, "size": 1},
        customdata=texts,
        hovertemplate="%{customdata}<extra></extra>",
        hoverinfo=None,
    )


def _rate(lanes: _Lanes, course: Course) -> None:
    if not course.known("shown"):
        return
    most = float(np.nanmax(course.rate))
    rows = ink.axis(range=[0, max(most, 1e-9) * 1.15], nticks=3)
    lanes.add("Packets shown per second", 84, rows)
    x, y = shapes.steps(course, course.rate)
    lanes.draw(
        x=x,
        y=y,
        mode="lines",
        line={"color": ink.RATE, "width": 1.4, "shape": "hv"},
        hovertemplate="%{y:.4g} per second<extra></extra>",
        hoverinfo=None,
    )


def _losses(lanes: _Lanes, course: Course) -> None:
    """Stems of packets lost, and signs for what no host can have caused."""
    if not course.known("lost"):
        return
    counts = course.unshown
    most = float(np.nanmax(counts)) if np.isfinite(counts).any() else 0.0
    rows = ink.axis(range=[0, max(1.0, most) * 1.15], tickformat="~s")
    if most < 4:
        rows |= {"dtick": 1}
    height = 84 if most else 44
    lanes.add("Packets not shown as sent, in each interval", height, rows)
    which = np.flatnonzero(np.nan_to_num(counts) > 0)
    middle = shapes.middle(course)
    x, y = shapes.stems(middle[which], counts[which])
    lanes.draw(x=x, y=y, mode="lines", line={"color": ink.LOST, "width": 1.6})
    lanes.draw(
        x=middle[which],
        y=counts[which],
        mode="markers",
        marker={"color": ink.LOST, "size": 5},
        hovertemplate="%{y} not shown as sent<extra></extra>",
        hoverinfo=None,
    )
    wrong = np.flatnonzero(np.nan_to_num(course.blamed) > 0)
    if len(wrong):
        lanes.draw(
            x=middle[wrong],
            y=np.full(len(wrong), max(1.0, most) * 1.08),
            mode="markers",
            marker={"color": ink.BLAMED, "symbol": "x-thin", "size": 7}
            | {"line": {"width": 1.6, "color": ink.BLAMED}},
            customdata=course.blamed[wrong],
            hovertemplate="%{customdata} wrong, stray or miscounted<extra></extra>",
            hoverinfo=None,
        )


def _bound(lanes: _Lanes, course: Course) -> None:
    """How low the loss must be, by what was seen until then."""
    if not course.known("upper"):
        return
    upper = course.columns["upper"]
    rows = ink.axis(type="log", **ink.powers(np.nanmin(upper), np.nanmax(upper)))
    lanes.add("Loss is below this, by all that was seen so far", 74, rows)
    x, y = shapes.steps(course, upper)
    lanes.draw(
        x=x,
        y=y,
        mode="lines",
        line={"color": ink.BOUND, "width": 1.6, "shape": "hv"},
        hovertemplate="loss below %{y:.2e}<extra></extra>",
        hoverinfo=None,
    )


def _latency(lanes: _Lanes, course: Course) -> None:
    """A band from the least to the most, the median and p99 in it."""
    if not course.known("p50"):
        return
    columns = {
        name: np.where(course.void, np.nan, course.columns[name])
        for name in ("least", "p50", "p99", "most")
    }
    lanes.add("Latency, last bit in to shown, ms", 118, ink.axis())
    if course.known("least") and course.known("most"):
        band = shapes.band(course, columns["least"], columns["most"])
        lanes.draw(**band, fillcolor=ink.BAND, mode="none")
    for name, text, line in (
        ("most", "longest", {"color": ink.MOST, "width": 0.8}),
        ("p99", "p99", {"color": ink.HIGH, "width": 1}),
        ("p50", "half within", {"color": ink.MEDIAN, "width": 1.8}),
    ):
        if np.isfinite(columns[name]).any():
            x, y = shapes.steps(course, columns[name])
            lanes.draw(
                x=x,
                y=y,
                mode="lines",
                line={**line, "shape": "hv"},
                hovertemplate=f"{text} %{{y:.4f}} ms<extra></extra>",
                hoverinfo=None,
            )


def _host(lanes: _Lanes, course: Course) -> None:
    """How busy the host was."""
    shares = [
        (course.columns["processor_share"], "processor", ink.HOST, "solid"),
        (1 - course.columns["memory_free_share"], "memory", ink.MEMORY, "dash"),
    ]
    known = [row for row in shares if np.isfinite(row[0]).any()]
    if not known:
        return
    names = " and ".join(row[1] for row in known)
    rows = ink.axis(range=[0, 1.04], tickformat=".0%", tickvals=[0, 0.5, 1])
    lanes.add(f"Bench: {names} in use", 62, rows)
    for column, name, color, dash in known:
        x, y = shapes.steps(course, column)
        lanes.draw(
            x=x,
            y=y,
            mode="lines",
            line={"color": color, "width": 1.3, "dash": dash, "shape": "hv"},
            hovertemplate=f"{name} %{{y:.0%}}<extra></extra>",
            hoverinfo=None,
        )


def _readings(lanes: _Lanes, course: Course) -> None:
    for name, column in course.readings.items():
        lanes.add(f"Read: {name}", 56, ink.axis(nticks=3))
        known = np.isfinite(column)
        lanes.draw(
            x=shapes.middle(course)[known],
            y=column[known],
            mode="lines+markers" if known.sum() < 60 else "lines",
            line={"color": ink.READING, "width": 1.4},
            marker={"size": 4, "color": ink.READING},
            hovertemplate=f"{ink.plain(name).replace('%', '')} %{{y}}<extra></extra>",
            hoverinfo=None,
        )


# --- around them ----------------------------------------------------------------------


def _layout(lanes: _Lanes, course: Course, events: Sequence[Event]) -> dict[str, Any]:
    """Lanes in their places, their titles, and the events."""
    inside = lanes.height - _ABOVE - _BELOW
    layout = ink.frame(lanes.height, hovermode="x unified", hoversubplots="axis")
    layout["margin"] |= {"t": _ABOVE, "b": _BELOW}
    top, notes = 0, []
    for k, (height, name) in enumerate(zip(lanes.heights, lanes.titles, strict=True)):
        top += _TITLE if k else 0
        domain = [1 - (top + height) / inside, 1 - top / inside]
        domain = [max(0.0, domain[0]), min(1.0, domain[1])]
        key = "yaxis" if k == 0 else f"yaxis{k + 1}"
        layout[key] = {**lanes.axes[k], "domain": domain, "anchor": "x"}
        if name:
            notes.append(ink.title(name, domain[1]))
        top += height
    last = len(lanes.heights)
    layout["xaxis"] = ink.along(
        range=[0, course.span_s],
        anchor="y" if last == 1 else f"y{last}",
        tickmode="array",
        tickvals=[0, course.span_s],
        ticktext=[clock(0), clock(round(course.span_s) * 1e9)],
        hoverformat="s",
        unifiedhovertitle={"text": " "},
    )
    layout[f"yaxis{_OVER}"] = {
        "domain": [0, 1],
        "range": [0, 1],
        "visible": False,
        "fixedrange": True,
        "anchor": "x",
    }
    marks, numbers = _events(events, course.span_s)
    layout["shapes"] = marks
    layout["annotations"] = [*notes, *numbers]
    return layout


_OVER = 99
"""Number of the axis that runs over all lanes."""


def _hatched(course: Course) -> dict[str, Any]:
    """What says nothing, hatched through every lane."""
    return {
        "type": "scatter",
        **shapes.short(shapes.areas(course, course.void)),
        "yaxis": f"y{_OVER}",
        "mode": "none",
        "hoverinfo": "skip",
        "fillcolor": ink.VOID_FILL,
        "fillpattern": {
            "shape": "/",
            "fgcolor": ink.VOID,
            "fgopacity": 0.75,
            "bgcolor": ink.VOID_FILL,
            "size": 6,
            "solidity": 0.14,
        },
    }


def _events(
    events: Sequence[Event], span_s: float
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """A line through all lanes for each event, or a stretch; and numbers above."""
    marks = [
        {
            "type": "rect" if event.to_s > event.from_s else "line",
            "xref": "x",
            "yref": "paper",
            "x0": event.from_s,
            "x1": event.to_s,
            "y0": 0,
            "y1": 1,
            "line": {"color": ink.EVENT, "width": 1},
            "layer": "below",
        }
        for event in events[:_DRAWN]
    ]
    numbers = []
    for name, from_s in _named(events, span_s):
        place = ink.title(name, 1, x=from_s, xref="x", xanchor="center")
        numbers.append(place | {"font": {"size": 11, "color": ink.INK}})
    return marks, numbers


def _named(events: Sequence[Event], span_s: float) -> list[tuple[str, float]]:
    """Numbers of events, and where they stand; close ones share a place."""
    places: list[tuple[int, int, float]] = []
    for number, event in enumerate(events[:_DRAWN], start=1):
        if places and event.from_s - places[-1][2] < span_s * _CLOSE:
            places[-1] = (places[-1][0], number, places[-1][2])
        else:
            places.append((number, number, event.from_s))
    return [
        (str(first) if first == last else f"{first}–{last}", from_s)
        for first, last, from_s in places
    ]


def _moment(course: Course, k: int) -> str:
    """One interval in words, for whoever points at it."""
    text = f"<b>{clock(round(course.from_s[k]) * 1e9)}</b>"
    if course.at[k]:
        text += f" · {ink.plain(course.at[k])}"
    if course.void[k]:
        text += f"<br>VOID: {ink.plain(course.why[k][:80])}"
    return text
