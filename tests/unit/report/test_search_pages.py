"""The pages of a sweep and of an edge, and how far either is while it runs."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

import pytest

import bench
from bench import Progress
from bench.api import StreamResult
from bench.report.edge import edge_brief, edge_page
from bench.report.sweep import sweep_brief, sweep_page
from bench.report.terminal import Out
from bench.report.told import ManyTold, told

if TYPE_CHECKING:
    from pathlib import Path

COMMAND = {"command": ["nightbench", "again"]}


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the runs of this file are kept."""
    return tmp_path_factory.mktemp("logs")


@pytest.fixture(scope="module")
def swept(logs: Path) -> bench.SweepResult:
    """A sweep in which points pass, fail in two ways, and cannot be sent."""
    over = ["bus.baud=3 Mbaud .. 12 Mbaud, 4", "foreign=0; 40 %"]
    return bench.sweep("causeway", over, packets=8, jobs=1, logs=logs, facts=COMMAND)


def sweep_text(swept: bench.SweepResult, width: int, columns: int) -> str:
    """The page of a sweep."""
    verdict = StreamResult.as_dict(swept)
    return sweep_page(verdict, swept.facts, swept.points, width, columns).plain()


def test_sweep_page(swept: bench.SweepResult) -> None:
    """The verdict, the chart, what its signs mean, where it is, how to do it again."""
    text = sweep_text(swept, 80, 80)
    assert text.startswith("FAIL")
    assert "bus.baud across, foreign down" in text
    assert "·  pass" in text
    assert "–  cannot be sent" in text
    assert re.search("[ab]  receiver overrun", text)
    assert "tenths of the packets" in text
    assert "the budget does not fit there" in text
    assert f"{swept.run}/points.csv" in text
    assert "again           nightbench again" in text
    loose = ("points", "ledger", "again")  # what a person copies is never wrapped
    for line in text.splitlines():
        assert len(line) <= 80 or line.startswith(loose)


def test_more_axes_show_the_worst(logs: Path) -> None:
    """Beyond two axes each sign is the worst over the others, and it is said so."""
    over = ["output.clock=250 kHz; 500 kHz", "foreign=0; 5 %", "seed=1; 2"]
    made = bench.sweep("causeway", over, packets=4, jobs=1, logs=logs, facts=COMMAND)
    text = sweep_text(made, 80, 80)
    assert "each sign is the worst over seed" in " ".join(text.split())
    assert "250 kHz" in text


def test_one_axis_is_a_table(logs: Path) -> None:
    """A row a value, with what was offered, shown and lost."""
    made = bench.sweep(
        "causeway",
        ["bus.baud=3 Mbaud; 4 Mbaud; 12 Mbaud"],
        packets=4,
        jobs=1,
        logs=logs,
        facts=COMMAND,
    )
    lines = sweep_text(made, 80, 80).splitlines()
    (row,) = [line for line in lines if line.startswith("  4 Mbaud")]
    assert row.split()[2:6] == ["·", "4", "4", "0"]
    (row,) = [line for line in lines if line.startswith("  12 Mbaud")]
    assert row.split()[2:6] == ["a9'◂", "4", "0", "1"]
    (row,) = [line for line in lines if line.startswith("  3 Mbaud")]
    assert row.split()[2:4] == ["–", "–"]


def test_brief(swept: bench.SweepResult) -> None:
    """The verdict, the ledger and the command, and no more."""
    verdict = StreamResult.as_dict(swept)
    text = sweep_brief(verdict, swept.facts, swept.points, 80, 80).plain()
    assert text.startswith("FAIL")
    assert "chart" not in text
    assert str(swept.run) in text


@pytest.mark.parametrize("width", [40, 80, 100])
def test_edge_page(logs: Path, width: int) -> None:
    """Where, why, how sure, and a rung for each value, in their order."""
    made = bench.edge(
        "causeway",
        "output.clock",
        "250 kHz",
        "2 MHz",
        to_within="10%",
        duration="1s",
        repeats=1,
        logs=logs,
        facts={**COMMAND, "point": {}},
    )
    text = edge_page(made.as_dict(), made.facts, width).plain()
    plain = " ".join(text.split())
    assert plain.startswith("PASS last good output.clock = ")
    assert "1 clock too many" in plain
    assert "marginal from" in plain
    assert "budget: output.clock = 1.133786 MHz, by marginal band" in plain
    assert "at 95 % confidence" in plain
    rungs = [
        line.split()[0]
        for line in text.splitlines()
        if "kHz  " in line or "MHz  " in line
    ]
    assert rungs
    brief = edge_brief(made.as_dict(), made.facts, width).plain()
    assert brief.split()[0] == "PASS"
    assert "tried" not in brief


METHODS = {
    "loss-steps": ("26.3 frame loss rate", "of the most"),
    "reset": ("26.6 reset", "after 10 s off"),
    "recovery": ("26.5 system recovery", "frames/s"),
}


@pytest.mark.parametrize("method", METHODS)
def test_methods_in_both_words(logs: Path, method: str) -> None:
    """Ours in the display, and the RFC's beside them."""
    sets = ["processor.rearrange.per_octet=12 us"]
    made = bench.edge(
        "causeway",
        method=method,
        overrides=sets,
        duration="2s",
        repeats=1,
        logs=logs,
        facts={**COMMAND, "point": {}},
    )
    text = " ".join(edge_page(made.as_dict(), made.facts).plain().split())
    theirs, head = METHODS[method]
    assert f"RFC 2544, section {theirs}" in text
    assert head in text


def test_window_page(logs: Path) -> None:
    """A row a node: from, to, centre."""
    made = bench.edge(
        "modbus-rtu",
        "bus.baud_offset",
        to_within="1 %",
        logs=logs,
        facts={**COMMAND, "point": {}},
    )
    text = edge_page(made.as_dict(), made.facts).plain()
    lines = text.splitlines()
    (at,) = [k for k, line in enumerate(lines) if line.startswith("window")]
    assert lines[at].split()[1:] == ["from", "to", "centre"]
    names = [line.split()[0] for line in lines[at + 1 : at + 5]]
    assert names == [*(node["name"] for node in made.figures["nodes"]), "all"]


# --- on the way -----------------------------------------------------------------------


def progress(share: float, spent_s: float, **counts: Any) -> Progress:
    """How far it is."""
    return Progress(10**9, share, int(spent_s * 10**9), 1000, counts)


def test_told() -> None:
    """Points with how long the rest takes; of a search the value that was tried."""
    states = {"pass": 30, "fail": 20}
    share, first, second = told(progress(0.5, 3, points=50, of=100, states=states))
    assert (share, first) == (" 50 %", "50 of 100 points, 3 s to go")
    assert second == "30 pass, 20 fail"
    last = {"text": "1 MHz", "state": "fail", "cause": "1 clock too many"}
    share, first, second = told(progress(0, 2, trials=7, last=last))
    assert first.startswith("7 trials, 1 s on the line")
    assert second == "1 MHz: fail, 1 clock too many"


def test_plain_lines_now_and_then() -> None:
    """Where nothing can be drawn a line every few seconds, and no escape codes."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    looking = ManyTold(Out(stream))
    for second in range(1, 13):
        looking.progress(progress(second / 12, second, points=second, of=12, states={}))
    looking.close()
    stream.seek(0)
    lines = stream.read().splitlines()
    assert [line.split()[0] for line in lines] == ["41", "83"]
    assert "\x1b" not in "".join(lines)
