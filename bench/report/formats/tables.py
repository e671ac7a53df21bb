"""What happened over time, or over the points of a sweep, as columns.

One row an interval, one column a figure; what is not known is an empty cell.  A sweep
has its points instead (see `bench.report.points`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.report.night.reading import many, number, part, texts, whole, words
from bench.report.points import columns_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.ledger import StoredRun

    Record = Mapping[str, Any]
    Columns = dict[str, list[Any]]

_WHOLE = {
    "from_ns": ("from_ns",),
    "to_ns": ("to_ns",),
    "awake_ns": ("awake_ns",),
    **{
        word: ("packets", word)
        for word in (
            "offered",
            "shown",
            "lost",
            "corrupt",
            "stray",
            "late",
            "repeated",
            "out_of_order",
        )
    },
    "bursts": ("bursts", "count"),
    "wrong_clocks": ("bursts", "wrong_clocks"),
    "marginal": ("bursts", "marginal"),
    "short_gaps": ("bursts", "short_gaps"),
    "characters": ("characters",),
    "lost_characters": ("lost_characters",),
    "queue_dry": ("health", "queue_dry"),
    "adapter_errors": ("health", "adapter_errors"),
}
"""Columns of whole numbers, and where they lie in a record."""

_NUMBERS = {
    "loss_upper": ("upper",),
    "processor_share": ("health", "processor_share"),
    "memory_free_share": ("health", "memory_free_share"),
    "lateness_p99_ns": ("health", "lateness_p99_ns"),
}

_LATENCY = ("least", "p50", "p99", "most")

_MOST_READINGS = 16


def table_of(stored: StoredRun) -> Columns:
    """The table of a run, column by column."""
    axes = many(stored.verdict or {}, "axes")
    records = stored.intervals.records
    points = [row for row in records if part(row, "point") and "index" in row]
    if axes and points:
        points.sort(key=lambda row: whole(row, "index") or 0)
        try:
            return {
                _cell(name): [_cell(value) for value in column]
                for name, column in columns_of(points, axes).items()
            }
        except (KeyError, TypeError):
            pass  # the shape of an interval is asked for nothing
    rows = [row for row in records if "event" not in row]
    return _intervals(rows)


def _intervals(rows: Sequence[Record]) -> Columns:
    columns: Columns = {"interval": list(range(len(rows)))}
    columns["at"] = [words(row, "at") or None for row in rows]
    columns["upset"] = [words(row, "upset") or None for row in rows]
    for name, path in _WHOLE.items():
        columns[name] = [whole(row, *path) for row in rows]
    for name in _LATENCY:
        columns[f"latency_{name}_ns"] = [whole(_shown(row), name) for row in rows]
    for name, path in _NUMBERS.items():
        found = [number(row, *path) for row in rows]
        columns[name] = [None if one is None else float(one) for one in found]
    columns["void"] = ["; ".join(texts(row, "health", "void")) or None for row in rows]
    names: dict[str, None] = {}
    for row in rows:
        names.update(dict.fromkeys(part(row, "readings")))
    for name in list(names)[:_MOST_READINGS]:
        columns[_cell(f"read {name}")] = _reading(rows, name)
    # Every run has the columns that are always there; of the others those with figures.
    kept = ("interval", "from_ns", "to_ns", "offered", "shown", "lost", "void")
    return {
        name: column
        for name, column in columns.items()
        if name in kept or any(value is not None for value in column)
    }


def _cell(value: Any) -> Any:
    """A value that any file can hold."""
    return words({"x": value}, "x") if isinstance(value, str) else value


def _shown(row: Record) -> Record:
    return part(row, "latency_ns", "shown") or part(row, "latency_ns")


def _reading(rows: Sequence[Record], name: str) -> list[Any]:
    """A reading as numbers, or as words if it is ever one."""
    texts_ = [words(row, "readings", name) for row in rows]
    found = [number(row, "readings", name) for row in rows]
    if any(texts_):
        return [
            text or (None if one is None else f"{one:g}")
            for text, one in zip(texts_, found, strict=True)
        ]
    return [None if one is None else float(one) for one in found]
