"""Shapes of columns over intervals: steps, stems, areas, bands.

Lines break and areas end where there is no interval, so that nothing is drawn of time
in which nothing was sent.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from bench.report.night.course import Course

    Floats = NDArray[np.float64]

_APART_S = 1e-3
"""Intervals that lie further apart than this have a gap between them."""


def short(trace: dict[str, Any]) -> dict[str, Any]:
    """A trace with columns of half the size; a screen has fewer than seven digits."""
    columns = {
        key: np.asarray(value, np.float32)
        for key, value in trace.items()
        if key in ("x", "y")
    }
    return {**trace, **columns}


def middle(course: Course) -> Floats:
    """The middle of every interval."""
    middle: Floats = (course.from_s + course.to_s) / 2
    return middle


def stems(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """A line from 0 up to each value."""
    nothing = np.full(len(x), np.nan)
    return np.column_stack([x, x, nothing]).ravel(), np.column_stack(
        [np.zeros(len(x)), y, nothing]
    ).ravel()


def steps(course: Course, values: Floats) -> tuple[Floats, Floats]:
    """A value for as long as its interval, with gaps where there is no interval."""
    after = np.append(course.from_s[1:] - course.to_s[:-1] > _APART_S, True)
    x, y = [], []
    for k, value in enumerate(values):
        x.append(course.from_s[k])
        y.append(value)
        if after[k]:
            x += [course.to_s[k], course.to_s[k]]
            y += [value, np.nan]
    return np.array(x), np.array(y, np.float64)


def spans(course: Course, which: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """First and last of intervals that belong together and follow each other."""
    first = None
    for k in range(len(course) + 1):
        inside = k < len(course) and bool(which[k])
        joined = inside and k and course.from_s[k] - course.to_s[k - 1] <= _APART_S
        if first is not None and not (inside and joined):
            yield first, k - 1
            first = None
        if inside and first is None:
            first = k


def areas(course: Course, which: NDArray[np.bool_]) -> dict[str, Any]:
    """Rectangles from 0 to 1 over some intervals."""
    x: list[float] = []
    y: list[float] = []
    for first, last in spans(course, which):
        begun, ended = float(course.from_s[first]), float(course.to_s[last])
        x += [begun, begun, ended, ended, begun, np.nan]
        y += [0, 1, 1, 0, 0, np.nan]
    return {"x": np.array(x), "y": np.array(y), "fill": "toself"}


def band(course: Course, low: Floats, high: Floats) -> dict[str, Any]:
    """An area between two columns, interval by interval."""
    x: list[Floats] = []
    y: list[Floats] = []
    known = np.isfinite(low) & np.isfinite(high)
    for first, last in spans(course, known):
        part = slice(first, last + 1)
        edges = np.column_stack([course.from_s[part], course.to_s[part]]).ravel()
        over, under = np.repeat(high[part], 2), np.repeat(low[part], 2)
        x += [edges, edges[::-1], np.array([np.nan])]
        y += [over, under[::-1], np.array([np.nan])]
    empty = [np.empty(0)]
    return {
        "x": np.concatenate(x or empty),
        "y": np.concatenate(y or empty),
        "fill": "toself",
    }
