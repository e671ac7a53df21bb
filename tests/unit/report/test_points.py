"""The points for other programs: CSV and Parquet."""

from __future__ import annotations

import csv
import io
import sys
from typing import Any

import pytest

from bench.base.errors import UsageError
from bench.report.points import as_csv, as_parquet, columns_of

AXES = [
    {"name": "bus.baud", "values": ["1 Mbaud", "2.5 Mbaud"], "log": False},
    {"name": "traffic.pattern", "values": ["ramp", 'a "quoted", one'], "log": False},
]


def records() -> list[dict[str, Any]]:
    """Two points, of the second of which nothing is known."""
    packets = {"offered": 10, "shown": 9, "lost": 1, "corrupt": None}
    known = {"packets": packets, "loss_rate": 0.1, "latency_ns": {"p99": 7}}
    base = {"verdict": None, "cause": "", "reason": "why\nnot"}
    points = [
        {"bus.baud": "1 Mbaud", "traffic.pattern": "ramp"},
        {"bus.baud": "2.5 Mbaud", "traffic.pattern": 'a "quoted", one'},
    ]
    return [
        {"index": 0, "point": points[0], "state": "fail", **base, **known},
        {"index": 1, "point": points[1], "state": "cannot be sent", **base},
    ]


def test_csv() -> None:
    """A row a point; quantities are numbers, what is not known is empty."""
    text = as_csv(columns_of(records(), AXES)).decode()
    assert text.endswith("\r\n"), "RFC 4180"
    first, second = csv.DictReader(io.StringIO(text, newline=""))
    assert first["bus.baud [baud]"] == "1000000"
    assert second["bus.baud [baud]"] == "2500000"
    assert second["traffic.pattern"] == 'a "quoted", one'
    assert (first["offered"], first["corrupt"], first["latency_p99_ns"]) == (
        "10",
        "",
        "7",
    )
    assert (second["offered"], second["loss_rate"]) == ("", "")
    assert first["reason"] == "why\nnot"


def test_parquet() -> None:
    """The same table, with its types."""
    parquet = pytest.importorskip("pyarrow.parquet")
    columns = columns_of(records(), AXES)
    table = parquet.read_table(io.BytesIO(as_parquet(columns)))
    assert table.to_pydict() == columns


def test_parquet_without_its_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is missing is named, with how to have it."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"nightbench\[table\]"):
        as_parquet(columns_of(records(), AXES))


def test_an_axis_is_not_hidden_by_a_figure() -> None:
    """An axis of seeds is a column even where a point was not tried."""
    axes = [{"name": "seed", "values": ["1", "2"], "log": False}]
    made = [
        {**record, "point": {"seed": str(k + 1)}} for k, record in enumerate(records())
    ]
    assert columns_of(made, axes)["seed"] == [1, 2]
