"""The sweep command: its options, its codes, its one JSON object, its tables."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import call
from unit.cli.test_stream import strictly

from bench.ledger import read_run

if TYPE_CHECKING:
    from pathlib import Path

WORDS = ("causeway", "--over", "bus.baud=4 Mbaud; 12 Mbaud", "--packets", "4")
QUICK = (*WORDS, "--jobs", "1", "--seed", "7")


def sweep(logs: Path, *words: str, code: int = 0) -> dict[str, Any]:
    """The object that a sweep prints, once its exit code has been looked at."""
    result = call("sweep", *words, "--json", "--logs", str(logs))
    assert result.exit_code == code, result.stderr
    return strictly(result.stdout)


def test_points_and_verdict(tmp_path: Path) -> None:
    """One JSON object with every point; a failing one fails the sweep."""
    said = sweep(tmp_path, *QUICK, code=1)
    assert (said["verdict"], said["exit_code"], said["seed"]) == ("FAIL", 1, 7)
    assert [point["state"] for point in said["points"]] == ["pass", "fail"]
    assert said["points"][1]["point"] == {"bus.baud": "12 Mbaud"}
    assert said["axes"] == [
        {"name": "bus.baud", "values": ["4 Mbaud", "12 Mbaud"], "log": False}
    ]
    (folder,) = tmp_path.iterdir()
    assert folder.name.endswith("-sweep")
    stored = read_run(folder)
    assert stored.run["command"] == ["nightbench", "sweep", *WORDS, "--seed", "7"]


def test_page_and_table(tmp_path: Path) -> None:
    """A page for people, and a table where it is asked for."""
    file = tmp_path / "out.csv"
    words = (*QUICK, "-o", str(file), "--logs", str(tmp_path / "logs"))
    result = call("sweep", *words)
    assert result.exit_code == 1
    assert result.stdout.startswith("FAIL")
    assert "receiver overrun" in result.stdout
    assert "\x1b" not in result.stdout
    rows = list(csv.DictReader(file.read_text("utf-8").splitlines()))
    assert [row["state"] for row in rows] == ["pass", "fail"]
    brief = call("sweep", *QUICK, "--quiet", "--logs", str(tmp_path / "logs"))
    assert len(brief.stdout.splitlines()) < len(result.stdout.splitlines()) / 2


def test_resumed(tmp_path: Path) -> None:
    """By its folder alone; one that has ended is refused."""
    sweep(tmp_path, *QUICK, code=1)
    (folder,) = tmp_path.iterdir()
    (folder / "verdict.json").unlink()
    said = sweep(tmp_path, "--resume", str(folder), "--jobs", "1", code=1)
    assert [point["state"] for point in said["points"]] == ["pass", "fail"]
    again = call("sweep", "--resume", str(folder))
    assert again.exit_code == 5
    assert "run has ended" in again.stderr


def test_before_each_point(tmp_path: Path) -> None:
    """A command that fails leaves its point untried, and says so."""
    words = ("--before", 'sh -c \'test "{bus.baud}" = "4 Mbaud"\'')
    said = sweep(tmp_path, *QUICK, *words)
    assert [point["state"] for point in said["points"]] == ["pass", "not tried"]
    assert "exit code 1" in said["points"][1]["reason"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "missing argument: PROFILE (or --resume RUN)"),
        (("causeway",), "nothing is varied"),
        (("causeway", "--over", "bus.bad=1;2"), "did you mean bus.baud?"),
        (("causeway", "--over", "bus.baud=2 Mbaud .. 1 Mbaud, 3"), "reversed range"),
        (("causeway", "--over", "bus.baud=1 Mbaud .. 1 Mbaud, 3"), "empty range"),
        (("causewy", "--over", "seed=1;2"), "did you mean causeway?"),
        (("causeway", "--resume", "x"), "has its profile and its axes"),
        ((*QUICK, "-o", "points.txt"), "no such table: points.txt"),
        ((*QUICK, "--before-packet", "xyz"), "not octets: xyz"),
        ((*QUICK, "--before", "set {clock}"), "not varied: {clock}"),
        ((*QUICK, "--link", "/dev/ttyNONE0"), "--allow-failing"),
        ((*QUICK, "--jobs", "0"), "out of range: 0"),
    ],
)
def test_bad_input(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    """One line that says what is wrong, exit code 2, and nothing begun."""
    logs = tmp_path / "logs"
    result = call("sweep", *words, "--logs", str(logs))
    assert result.exit_code == 2, result.stderr
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert not logs.exists()
