"""The night: its ribbon, the same by the hour, and what happened in it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.report.night.blocks import (
    Block,
    Cell,
    Chapter,
    Chart,
    Fold,
    Grid,
    Key,
    Words,
)
from bench.report.night.charts.ribbon import ribbon
from bench.report.night.reading import UNSEEN, clock, count, time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.report.night.course import Course, Event
    from bench.report.page import Role

    Floats = NDArray[np.float64]

_ROWS = 24
"""Rows of the table by the hour, about."""

_STEPS_S = (1, 2, 5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 86400)
"""How long a row may be."""

_EVENTS = 200
_VOIDS = 12
_FEW = 2

_S = 1_000_000_000

_STANDS_STILL = (
    "The axis is time on the line, which stands still while nothing is sent; how long "
    "an event really took is in its row."
)


def course_chapter(course: Course | None, events: Sequence[Event]) -> Chapter | None:
    """The chapter of the night; None where there was no course."""
    if course is None or len(course) < _FEW:
        if not events:
            return None
        return Chapter("night", "What happened", _events(events))
    drawn = course.drawn()
    figure, height = ribbon(drawn, events)
    chart = Chart(
        "ribbon",
        "The run as a ribbon",
        _summary(course, events),
        figure,
        height,
        _keys(drawn, events),
        None,
        course.span_s,
    )
    blocks: list[Block] = [chart]
    if drawn.grouped > 1:
        text = (
            f"Each step drawn takes {drawn.grouped} intervals together: counts are "
            "added up, of times the extremes are kept, and a step is void if one of "
            "its intervals is."
        )
        blocks.append(Words(text))
    blocks.append(Fold("The same as figures", [_by_the_hour(course)], printed=True))
    if any(event.lasted_s > event.to_s - event.from_s for event in events):
        blocks.append(Words(_STANDS_STILL))
    blocks += _voids(course)
    blocks += _events(events)
    title = "The night" if course.span_s > 1800 else "The course of the run"
    return Chapter("night", title, blocks)


# --- in words -------------------------------------------------------------------------


def _summary(course: Course, events: Sequence[Event]) -> str:
    """What the ribbon shows, for who does not see it."""
    void = int(course.void.sum())
    parts = [f"{time(course.span_s * _S, 3)} in {count(len(course))} intervals"]
    unshown = course.unshown
    if np.isfinite(unshown).any():
        some = int((np.nan_to_num(unshown) > 0).sum())
        lost = int(np.nansum(unshown))
        parts.append(
            f"{count(lost)} packets not shown as sent, in {count(some)} of them"
            if lost
            else "every packet was shown as sent"
        )
    else:
        parts.append(f"what became of the packets is {UNSEEN}")
    blamed = course.blamed
    if wrong := int(np.nansum(blamed)):
        parts.append(f"{count(wrong)} wrong, stray or miscounted bursts")
    parts.append(f"{count(void)} void" if void else "none void")
    if course.known("p50"):
        columns = course.columns
        low, high = np.nanmin(columns["p50"]), np.nanmax(columns["p50"])
        ends = dict.fromkeys(f"{one:.4g}" for one in (low, high))
        parts.append(f"median latency {' to '.join(ends)} ms")
        if course.known("most"):
            parts.append(f"the longest {np.nanmax(columns['most']):.4g} ms")
    if events:
        parts.append(f"{count(len(events))} events")
    return "; ".join(parts) + "."


def _keys(course: Course, events: Sequence[Event]) -> list[Key]:
    """Signs that occur, and what they stand for."""
    keys = [Key("kept", "shown as sent")]
    if (np.nan_to_num(course.unshown) > 0).any():
        keys.append(Key("lost", "some were not"))
    if (np.nan_to_num(course.blamed) > 0).any():
        keys.append(Key("blamed", "wrong data, stray, or wrong clocks"))
    if course.void.any():
        keys.append(Key("void", "void: says nothing of loss and latency"))
    if course.known("least") and course.known("p50"):
        keys.append(Key("band", "shortest to longest latency"))
        keys.append(Key("median", "median"))
        keys.append(Key("high", "p99"))
    if np.isfinite(course.columns["processor_share"]).any():
        keys.append(Key("host", "processor"))
    if np.isfinite(course.columns["memory_free_share"]).any():
        keys.append(Key("memory", "memory, dashed"))
    if events:
        keys.append(Key("event", "event, with its number"))
    return keys


# --- as figures -----------------------------------------------------------------------


def _by_the_hour(course: Course) -> Grid:
    """The course in a table of few rows."""
    step = next((one for one in _STEPS_S if course.span_s / one <= _ROWS), _STEPS_S[-1])
    place = np.floor_divide(course.from_s, step).astype(np.int64)
    rows: list[list[Cell | str]] = []
    for k in np.unique(place)[: 4 * _ROWS].tolist():
        which = place == k
        rows.append([Cell(clock(k * step * _S)), *_row(course, which)])
    heads = ["from", "offered", "shown", "not as sent", "wrong", "void"]
    heads += ["median, ms", "p99, ms", "longest, ms"]
    what = f"The run in steps of {time(step * _S)}"
    return Grid(what, heads, rows)


def _row(course: Course, which: NDArray[np.bool_]) -> list[Cell]:
    """The figures of some intervals."""
    columns = course.columns
    void = int(course.void[which].sum())
    valid = which & ~course.void
    return [
        _sum(columns["offered"][which]),
        _sum(columns["shown"][which]),
        _sum(course.unshown[valid], "bad"),
        _sum(course.blamed[which], "bad"),
        Cell(
            f"{void} of {int(which.sum())}" if void else "none", "open" if void else ""
        ),
        _of(np.nanmedian, columns["p50"][valid]),
        _of(np.nanmax, columns["p99"][valid]),
        _of(np.nanmax, columns["most"][valid]),
    ]


def _sum(values: Floats, role: Role = "") -> Cell:
    """A sum of counts; not observable where none is known."""
    if not np.isfinite(values).any():
        return Cell("–", "faint")
    total = int(np.nansum(values))
    return Cell(count(total), role if total else "")


def _of(rule: Any, values: Floats) -> Cell:
    """A figure over what is known."""
    if not np.isfinite(values).any():
        return Cell("–", "faint")
    return Cell(f"{rule(values):.4f}")


# --- what happened --------------------------------------------------------------------


def _voids(course: Course) -> list[Block]:
    """Why intervals are void, the most frequent reason first."""
    if not course.void.any():
        return []
    lasted = course.to_s - course.from_s
    reasons: dict[str, list[float]] = {}
    for k in np.flatnonzero(course.void):
        sums = reasons.setdefault(course.why[k], [0, 0.0, float(course.from_s[k])])
        sums[0] += 1
        sums[1] += float(lasted[k])
    ordered = sorted(reasons.items(), key=lambda one: -one[1][0])
    rows = [
        [why, count(sums[0]), time(sums[1] * _S, 3), clock(round(sums[2]) * _S)]
        for why, sums in ordered[:_VOIDS]
    ]
    if (left := len(ordered) - _VOIDS) > 0:
        rest = sum(sums[0] for _, sums in ordered[_VOIDS:])
        rows.append([f"and {left} other reasons", count(rest), "", ""])
    heads = ["why", "intervals", "together", "first at"]
    return [Grid("Void intervals, by what the bench says spoilt them", heads, rows)]


def _events(events: Sequence[Event]) -> list[Block]:
    """Every event, numbered as in the ribbon."""
    if not events:
        return []
    rows: list[list[Cell | str]] = [
        [
            Cell(str(number)),
            clock(round(event.from_s) * _S),
            time(event.lasted_s * _S, 3) if event.lasted_s else "–",
            event.what,
            event.text,
        ]
        for number, event in enumerate(events[:_EVENTS], start=1)
    ]
    if (left := len(events) - _EVENTS) > 0:
        rows.append([Cell(f"and {left} more, in intervals.log"), "", "", "", ""])
    heads = ["event", "at", "lasted", "what", "more"]
    return [Grid("Events", heads, rows, left=(3, 4))]
