"""Edges from Python: what they find on the shipped boards, and what is refused."""

from __future__ import annotations

import json
import shlex
import sys
import time
from typing import TYPE_CHECKING, Any

import pytest
from unit.trial.upset.plain_nodes import PlainNodes

import bench
from bench.api_search.before import command_beside
from bench.base.errors import UsageError
from bench.ledger import read_run

if TYPE_CHECKING:
    from pathlib import Path

    from bench import EdgeResult, Progress


def edge(logs: Path, *words: Any, **given: Any) -> EdgeResult:
    """An edge of the causeway, not looked at for long."""
    return bench.edge("causeway", *words, logs=logs, seed=1, duration="2s", **given)


def test_the_extra_clock(tmp_path: Path) -> None:
    """The clock is stopped 0.42 us after the last period: too late above 1.19 MHz."""
    result = edge(tmp_path, "output.clock", "250 kHz", "2 MHz", repeats=1)
    figures = result.figures
    assert (result.verdict, result.exit_code) == ("PASS", 0)
    # s >= r with s = 0.42 us and r half a period: the first extra clock; and within
    # the 20 ns of a runt before it, it may go either way.
    first = 0.5 / 0.42e-6
    assert first == pytest.approx(1.19e6, rel=1e-3)
    assert figures["cause"] == "1 clock too many"
    assert figures["marginal"]["last"] <= first <= figures["first_bad"] <= 1.012 * first
    runt = 0.5 / 0.44e-6
    assert figures["last_good"] <= runt * 1.001
    assert figures["last_good"] >= runt / 1.011
    assert figures["unit"] == "Hz"
    assert figures["monotone"]


def test_result_is_what_is_stored(tmp_path: Path) -> None:
    """Strict JSON, in the ledger too, with every value that was tried."""
    result = edge(tmp_path, "output.clock", "250 kHz", "2 MHz", to_within="20%")
    assert json.loads(json.dumps(result.as_dict(), allow_nan=False)) == result.as_dict()
    stored = read_run(result.run)
    assert stored.faults == ()
    assert stored.verdict == result.as_dict()
    texts = [record["text"] for record in stored.intervals.records]
    assert texts == [value["text"] for value in result.figures["values"]]
    assert stored.run["drawn"] == ["transfer jitter", "dither", "foreign traffic"]
    assert stored.run["repeats"] == 3
    report = (result.run / "report.txt").read_text("utf-8")
    assert report.startswith("PASS")
    assert "1 clock too many" in report


def test_same_seed_same_edge(tmp_path: Path) -> None:
    """Twice the same, however many trials run side by side."""
    words = ("output.clock", "250 kHz", "2 MHz")
    one, other = (edge(tmp_path, *words, to_within="5%", jobs=jobs) for jobs in (1, 2))
    for word in ("last_good", "first_bad", "cause", "values", "evidence"):
        assert one.figures[word] == other.figures[word]


def test_no_change(tmp_path: Path) -> None:
    """Said with the end that is to be moved, as an error, and kept."""
    result = edge(tmp_path, "output.clock", "250 kHz", "500 kHz")
    assert (result.verdict, result.exit_code) == ("VOID", 2)
    assert "neither end fails" in result.reason
    assert result.figures["last_good"] == 500_000
    assert read_run(result.run).verdict == result.as_dict()


def test_both_fail(tmp_path: Path) -> None:
    """Where both ends fail the budget knows where to look for one that works."""
    result = edge(tmp_path, "output.clock", "2 MHz", "3 MHz", repeats=1)
    assert (result.verdict, result.exit_code) == ("VOID", 2)
    assert "both ends fail" in result.reason
    note = "budget: output.clock = 1.133786 MHz, by marginal band: an end that works "
    assert result.figures["notes"] == [f"{note}may lie there"]


def test_how_many_devices(tmp_path: Path) -> None:
    """Whole numbers, down to the one that no longer fits."""
    result = edge(tmp_path, "output.devices", "20", "40", repeats=1)
    assert result.figures["first_bad"] - result.figures["last_good"] == 1
    assert result.figures["unit"] == ""


def test_load(tmp_path: Path) -> None:
    """The intended load is an axis like any other."""
    sets = ["processor.rearrange.per_octet=12 us", "accept.latency=", "accept.skew="]
    result = edge(tmp_path, "load", "40 %", "90 %", overrides=sets, to_within="3 %")
    assert "buffer" in result.figures["cause"]
    assert 0.4 <= result.figures["last_good"] < result.figures["first_bad"] <= 0.9


def test_method(tmp_path: Path) -> None:
    """Throughput varies the frame rate by itself, and looks at loss alone."""
    sets = ["processor.rearrange.per_octet=12 us"]
    result = edge(tmp_path, method="throughput", overrides=sets, repeats=1)
    best = result.figures["throughput"]
    assert best["frame_rate_hz"] == result.figures["last_good"]
    assert result.figures["first_bad"] == best["frame_rate_hz"] + 1
    assert "frames/s without a loss" in result.reason


class Stopping:
    """Asks to stop after some trials."""

    def __init__(self) -> None:
        self.trials = 0

    def begun(self, folder: Path) -> None:
        """See `Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `Watcher`."""
        self.trials = progress.counts["trials"]

    def stop(self) -> int | None:
        """A signal, by then."""
        return 15 if self.trials >= 4 else None


def test_stopped(tmp_path: Path) -> None:
    """What was tried by then is kept."""
    looking = Stopping()
    result = edge(
        tmp_path,
        *("output.clock", "250 kHz", "2 MHz"),
        repeats=1,
        watcher=looking,
        stop=looking.stop,
    )
    assert (result.verdict, result.exit_code, result.signal) == ("VOID", 143, 15)
    assert result.figures["last_good"] is None
    assert len(read_run(result.run).intervals.records) == 4


def test_wrong_arguments(tmp_path: Path) -> None:
    """Each is told in a line, before a ledger begins."""
    cases: list[tuple[dict[str, Any], str]] = [
        ({}, "nothing is varied"),
        ({"vary": "output.clock"}, "an end is missing.* @ --from"),
        ({"vary": "output.clock", "start": "1 MHz"}, "an end is missing.* @ --to"),
        ({"method": "speed"}, "no such method: speed, expected throughput"),
        ({"method": "reset", "vary": "bus.baud"}, "a method varies by itself"),
        (
            {"vary": "output.clock", "start": "1 MHz", "end": "2 MHz", "repeats": 0},
            "out of range: 0",
        ),
    ]
    for given, said in cases:
        with pytest.raises(UsageError, match=said):
            edge(tmp_path, **given)
    assert not list(tmp_path.iterdir())


def test_reset_needs_something_that_resets(tmp_path: Path) -> None:
    """Boards need a command, simulated nodes have none; both are told at once."""
    with pytest.raises(UsageError, match="boards have to be reset by something"):
        bench.edge(
            "causeway",
            method="reset",
            make_link=lambda profile, _: PlainNodes(profile),
            logs=tmp_path,
        )
    for given in ({"method": "reset"}, {"method": "recovery"}):
        with pytest.raises(UsageError, match="nothing to reset: off"):
            bench.edge("causeway", reset="off", logs=tmp_path, **given)
    assert not list(tmp_path.iterdir())


def test_a_command_beside(tmp_path: Path) -> None:
    """It is begun, and what became of it is told once it has ended."""
    file = tmp_path / "there"
    words = shlex.join([sys.executable, "-c", f"open({str(file)!r}, 'w')"])
    for command, said in ((words, ""), ("/nowhere/at/all", "no such file")):
        asked = command_beside(command, "--reset", "the command that resets")()
        until = time.monotonic() + 30
        while (why := asked()) is None:
            assert time.monotonic() < until
        assert said in why
        assert bool(why) == bool(said)
    assert file.exists()
    with pytest.raises(UsageError, match="no command"):
        command_beside(" ", "--reset", "it")
