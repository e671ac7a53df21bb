"""The points of a sweep as a table for other programs: CSV, and Parquet.

One row a point, one column a variable.  What was not observable is an empty cell, never
zero.  An axis of quantities is a column of numbers in the base unit, which its name
states; one of words is a column of words.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError, Fault, UsageError
from bench.trial.sweep.scale import scale_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Record = Mapping[str, Any]
    Columns = dict[str, list[Any]]

_SHARE_UNIT = "share"

_PACKETS = (
    "offered",
    "shown",
    "lost",
    "corrupt",
    "stray",
    "repeated",
    "out_of_order",
    "late",
)
_BURSTS = ("wrong_clocks", "marginal", "short_gaps", "least_gap_ns")
_ALONE = (
    "loss_rate",
    "loss_upper",
    "confidence",
    "skew_ns",
    "lost_characters",
    "intended_load",
    "offered_load",
    "frame_rate_hz",
    "seed",
)


def columns_of(records: Sequence[Record], axes: Sequence[Mapping[str, Any]]) -> Columns:
    """The table, column by column.

    Args:
        records: The points.
        axes: Name and values of each axis.
    """
    columns: Columns = {"point": [record["index"] for record in records]}
    for axis in axes:
        name, worth = _axis(axis)
        columns[name] = [worth[record["point"][axis["name"]]] for record in records]
    for word in ("state", "verdict"):
        columns[word] = [record[word] for record in records]
    for word in _ALONE:
        columns.setdefault(word, [record.get(word) for record in records])
    for part, words in (("packets", _PACKETS), ("bursts", _BURSTS)):
        for word in words:
            columns[word] = [(record.get(part) or {}).get(word) for record in records]
    for word in ("p50", "p99", "max"):
        values = [(record.get("latency_ns") or {}).get(word) for record in records]
        columns[f"latency_{word}_ns"] = values
    for word in ("cause", "reason"):
        columns[word] = [record[word] for record in records]
    return columns


def as_csv(columns: Columns) -> bytes:
    """The table as CSV (RFC 4180), UTF-8."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return text.getvalue().encode()


def as_parquet(columns: Columns) -> bytes:
    """The table as Parquet.

    Raises:
        UsageError: If the library that writes it is not installed.
    """
    try:
        from pyarrow import BufferOutputStream, table
        from pyarrow.parquet import write_table
    except ImportError as error:
        what = "Parquet needs a library that is not installed"
        mend = "pip install 'nightbench[table]', or write a .csv"
        raise UsageError(Fault(what, "pyarrow", mend=mend)) from error
    sink = BufferOutputStream()
    write_table(table(columns), sink)
    return bytes(sink.getvalue())


def _axis(axis: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    """The name of an axis's column, and the worth of each of its values."""
    name, values = axis["name"], axis["values"]
    try:
        scale, worths = scale_of(values, name)
    except BenchError:
        return name, {value: value for value in values}
    unit = ""
    if scale.kind is not None:
        unit = _SHARE_UNIT if scale.is_share else scale.kind.written[-1]
    numbers = [int(one) if one.denominator == 1 else float(one) for one in worths]
    if any(isinstance(number, float) for number in numbers):
        numbers = [float(number) for number in numbers]
    return f"{name} [{unit}]" if unit else name, dict(zip(values, numbers, strict=True))
