"""The course of a run: its intervals as columns, and its events.

An interval of the log says from when to when it went, what became of the packets sent
in it, and how the bench did.  What it does not say is NaN here and "not observable" in
whatever is made of it.  Where stretches of a run each count from zero, they are laid
one after another.

A course that is too long to draw is told in groups of intervals: counts are added up,
of times the extremes are kept, and a group is void if any of its intervals is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.report.night.reading import number, part, texts, words
from bench.trial.soak.told import ROUTINE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    Record = Mapping[str, Any]
    Floats = NDArray[np.float64]

MOST_DRAWN = 4000
"""Intervals that are drawn one by one: a night of 10 s each, and more than a screen has
points across."""

MOST_READINGS = 4
"""Readings of a user's command that are drawn and tabled."""

_S = 1e-9

COUNTS = ("offered", "shown", "lost", "corrupt", "stray", "late", "repeated")
"""Counts of packets."""

TIMES = ("least", "p50", "p99", "most")
"""What is kept of the latency of one interval."""

_ADDED = (*COUNTS, "wrong_clocks", "characters", "lost_characters")

_LEAST = frozenset({"least"})
"""Columns of which a group keeps the least; of other ones the greatest."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened beside the traffic.

    Attributes:
        what: What it was, in a word or two.
        text: More of it.
        from_s: When it began, in time on the line from the start.
        to_s: When it ended, likewise: time on the line stands still where nothing is
            sent.
        lasted_s: How long it really took.
    """

    what: str
    text: str
    from_s: float
    to_s: float
    lasted_s: float


@dataclass(slots=True)
class Course:
    """The intervals of one run.

    Attributes:
        from_s: When each began.
        to_s: When each ended.
        columns: Figures of each, NaN where not known.
        void: Which of them say nothing of loss and latency.
        why: Why, a text each.
        at: What the clock on the wall said, a label each.
        readings: What a user's command read, by name.
        grouped: How many intervals of the log one of these stands for.
    """

    from_s: Floats
    to_s: Floats
    columns: dict[str, Floats]
    void: NDArray[np.bool_]
    why: list[str]
    at: list[str]
    readings: dict[str, Floats] = field(default_factory=dict)
    grouped: int = 1

    def __len__(self) -> int:
        return len(self.from_s)

    @property
    def span_s(self) -> float:
        """How long the run was."""
        return float(self.to_s.max()) if len(self) else 0.0

    def known(self, name: str) -> bool:
        """Whether a column has any figure."""
        return bool(np.isfinite(self.columns[name]).any())

    @property
    def unshown(self) -> Floats:
        """Packets that were not shown as sent, where loss says anything."""
        lost = self.columns["lost"] + np.nan_to_num(self.columns["corrupt"])
        return np.where(self.void, np.nan, lost)

    @property
    def blamed(self) -> Floats:
        """What no host can have caused: wrong data, strays, wrong clocks."""
        wrong = [self.columns[name] for name in ("corrupt", "stray", "wrong_clocks")]
        seen = np.isfinite(wrong).any(axis=0)
        return np.where(seen, np.nansum(wrong, axis=0), np.nan)

    @property
    def rate(self) -> Floats:
        """Packets shown in a second."""
        lasted = np.maximum(self.to_s - self.from_s, 1e-9)
        return self.columns["shown"] / lasted

    def drawn(self) -> Course:
        """The same with no more intervals than can be drawn."""
        group = -(-len(self) // MOST_DRAWN) if len(self) else 1
        if group == 1:
            return self
        starts = np.arange(0, len(self), group)
        ends = np.append(starts[1:], len(self))
        columns = {}
        for name, column in self.columns.items():
            columns[name] = _grouped(column, starts, _rule(name))
        return Course(
            self.from_s[starts],
            self.to_s[ends - 1],
            columns,
            np.logical_or.reduceat(self.void, starts),
            [_first(self.why[a:b]) for a, b in zip(starts, ends, strict=True)],
            [self.at[k] for k in starts],
            {
                name: _grouped(column, starts, np.fmax.reduceat)
                for name, column in self.readings.items()
            },
            group,
        )


def course_of(records: Sequence[Record]) -> Course | None:
    """The course of a run; None where its log holds no intervals of time.

    Args:
        records: Of the interval log.
    """
    rows = [row for row in records if _is_interval(row)]
    if not rows:
        return None
    from_s, to_s = _laid(rows)
    void = [_void(row) for row in rows]
    names = _reading_names(rows)
    return Course(
        from_s,
        to_s,
        _columns(rows),
        np.array([bool(why) for why in void]),
        ["; ".join(why) for why in void],
        [words(row, "at") for row in rows],
        {name: _column(rows, "readings", name) for name in names},
    )


def events_of(records: Sequence[Record]) -> list[Event]:
    """What happened beside the traffic, in the order of the log."""
    events = []
    for row in records:
        what = words(row, "event")
        if not what or what in ROUTINE:
            continue
        from_s = (number(row, "from_ns") or 0.0) * _S
        to_s = max(from_s, (number(row, "to_ns") or 0.0) * _S)
        lasted_ns = number(row, "lasted_ns")
        lasted_s = to_s - from_s if lasted_ns is None else max(0.0, lasted_ns * _S)
        events.append(Event(what, words(row, "text"), from_s, to_s, lasted_s))
    return events


# --- read -----------------------------------------------------------------------------


def _is_interval(row: Record) -> bool:
    """Whether a record is a stretch of one long run.

    A trial of upsets begins at zero for every strike, which makes no course.
    """
    from_ns, to_ns = number(row, "from_ns"), number(row, "to_ns")
    if from_ns is None or to_ns is None or to_ns <= from_ns:
        return False
    return "event" not in row and "upset" not in row and bool(part(row, "packets"))


def _laid(rows: Sequence[Record]) -> tuple[Floats, Floats]:
    """Beginnings and ends, each stretch after the one before."""
    from_s, to_s = (
        np.array([number(row, key) or 0.0 for row in rows]) * _S
        for key in ("from_ns", "to_ns")
    )
    base, reached = 0.0, 0.0
    for k in range(len(rows)):
        if from_s[k] + base < reached - 1e-6 and _new_stretch(rows, k):
            base = reached
        from_s[k] += base
        to_s[k] += base
        reached = max(reached, float(to_s[k]))
    return from_s, to_s


def _new_stretch(rows: Sequence[Record], k: int) -> bool:
    return bool(k) and rows[k].get("stretch") != rows[k - 1].get("stretch")


def _void(row: Record) -> list[str]:
    """Why an interval says nothing."""
    return texts(row, "health", "void") or texts(row, "void")


def _columns(rows: Sequence[Record]) -> dict[str, Floats]:
    columns = {name: _column(rows, "packets", name) for name in COUNTS}
    columns["wrong_clocks"] = _column(rows, "bursts", "wrong_clocks")
    for name in ("characters", "lost_characters", "upper"):
        columns[name] = _column(rows, name)
    shown = [
        part(row, "latency_ns", "shown") or part(row, "latency_ns") for row in rows
    ]
    for name in TIMES:
        columns[name] = _column(shown, name) * 1e-6
    if not np.isfinite(columns["most"]).any():
        columns["most"] = _column(shown, "max") * 1e-6
    for name in _HEALTH:
        columns[name] = _column(rows, "health", name)
    return columns


_HEALTH = (
    "processor_share",
    "memory_free_share",
    "lateness_p99_ns",
    "queue_dry",
    "swapped_octets",
    "adapter_errors",
)
"""What the bench says of itself."""


def _column(rows: Sequence[Record], *path: str) -> Floats:
    found = [number(row, *path) for row in rows]
    return np.array([np.nan if one is None else one for one in found], np.float64)


def _reading_names(rows: Sequence[Record]) -> list[str]:
    """Names of the readings that are numbers anywhere, in order of appearance."""
    names: dict[str, None] = {}
    for row in rows:
        readings = part(row, "readings")
        names.update((name, None) for name in readings if number(readings, name))
    return list(names)[:MOST_READINGS]


# --- grouped --------------------------------------------------------------------------


def _rule(name: str) -> Callable[[Floats, Any], Floats]:
    if name in _ADDED or name in ("queue_dry", "swapped_octets", "adapter_errors"):
        return _added
    if name in _LEAST or name == "memory_free_share":
        return np.fmin.reduceat
    return np.fmax.reduceat


def _added(column: Floats, starts: NDArray[np.int64]) -> Floats:
    """Sums of what is known; NaN where nothing is."""
    known = np.add.reduceat(np.isfinite(column), starts)
    sums: Floats = np.add.reduceat(np.nan_to_num(column), starts)
    return np.where(known > 0, sums, np.nan)


def _grouped(
    column: Floats, starts: NDArray[np.int64], rule: Callable[[Floats, Any], Floats]
) -> Floats:
    return rule(column, starts)


def _first(texts_: Sequence[str]) -> str:
    return next((text for text in texts_ if text), "")
