"""The accept command: a good board passes, a bad one does not, on simulated nodes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from unit.cli.calls import call
from unit.cli.test_stream import strictly

from bench.cli.face import nightbench
from bench.cli.options import Session
from bench.ledger import read_run

PLAN = """
plan = 1
name = "short"
profile = "causeway"

[[step]]
name = "as installed"
kind = "stream"
for = "2 s"
bound = "5e-2"

[[step]]
name = "output clock"
kind = "edge"
vary = "output.clock"
to = "2 MHz"
within = "10%"
for = "2 s"
margin = 1.5

[[step]]
name = "power-up"
kind = "upset"
trial = ["power-up"]
times = 1

[[step]]
name = "corpus"
kind = "corpus"

[[step]]
name = "a minute"
kind = "soak"
for = "1 min"
"""


@pytest.fixture
def plan(tmp_path: Path) -> str:
    """The plan's file."""
    path = tmp_path / "short.toml"
    path.write_text(PLAN)
    return str(path)


def accept(plan: str, *words: str, code: int = 0) -> dict[str, Any]:
    """The object that it prints, once its exit code has been looked at."""
    logs = str(Path(plan).parent / "logs")
    words = ("accept", "causeway", plan, *words, "--json", "--logs", logs)
    result = call(*words)
    assert result.exit_code == code, result.stderr
    return strictly(result.stdout)


def test_a_good_board(plan: str) -> None:
    """Every step passes, each with a run of its own that says the same again."""
    said = accept(plan, "--seed", "7", "--dut", "serial=17")
    assert (said["verdict"], said["exit_code"]) == ("PASS", 0)
    steps = said["accept"]["steps"]
    assert [step["kind"] for step in steps] == [
        "stream",
        "edge",
        "upset",
        "corpus",
        "soak",
    ]
    # The budget: an extra clock above 1/(2 x 0.42 us) = 1.19 MHz, marginal from
    # 1.134 MHz; the profile has 250 kHz, and 1.5 times that is required.
    assert 4.0 < steps[1]["margin"] * 1.5 <= 4.54
    for step in steps:
        stored = read_run(Path(step["run"]))
        assert stored.run["accept"]["step"] == step["name"]
        assert stored.run["dut"]["serial"] == "17"
        assert stored.run["seed"] in (7, 0)
    assert read_run(Path(steps[0]["run"])).run["command"] == [
        *("nightbench", "stream", "causeway", "--for", "2s", "--seed", "7"),
    ]
    report = (Path(said["run"]) / "report.txt").read_text()
    for step in steps:
        assert step["name"] in report
        assert step["run"] in report


def test_a_bad_board(plan: str) -> None:
    """A board whose clock lies near its edge fails that step, and no other."""
    said = accept(plan, "--seed", "7", "--set", "output.clock=1 MHz", code=1)
    assert said["verdict"] == "FAIL"
    assert said["reason"].startswith("output clock: 1.5 × required, 1.")
    verdicts = {step["name"]: step["verdict"] for step in said["accept"]["steps"]}
    assert [name for name, word in verdicts.items() if word == "FAIL"] == [
        "output clock"
    ]


def test_stopped_and_gone_on_with(plan: str, tmp_path: Path) -> None:
    """A signal leaves an acceptance that can be gone on with."""
    logs = str(tmp_path / "logs")
    words = ["accept", "causeway", plan, "--seed", "7", "--json", "--logs", logs]
    stopped = CliRunner().invoke(nightbench, words, obj=Session(lambda: 15))
    assert stopped.exit_code == 128 + 15
    said = strictly(stopped.stdout)
    assert (said["verdict"], said["signal"]) == ("VOID", "SIGTERM")
    assert said["accept"]["steps"] == []
    again = accept(plan, "--resume", said["run"])
    assert (again["verdict"], again["run"], again["seed"]) == ("PASS", said["run"], 7)


def test_the_page(tmp_path: Path) -> None:
    """One table: what was required and measured, step by step."""
    short = tmp_path / "one.toml"
    short.write_text(PLAN.partition('[[step]]\nname = "output')[0])
    logs = str(tmp_path / "logs")
    result = call("accept", "causeway", str(short), "--seed", "7", "--logs", logs)
    assert result.exit_code == 0
    assert "100 %  PASS as installed, " in result.stdout
    assert "PASS            the only step passed; least margin" in result.stdout
    assert "required" in result.stdout
    assert "loss < 0.05" in result.stdout
    page = Path(result.stderr.rpartition("its page: ")[2].strip())
    assert "as installed" in page.read_text("utf-8")
    quiet = call(
        "accept", "causeway", str(short), "--seed", "7", "--logs", logs, "--quiet"
    )
    assert len(quiet.stdout.splitlines()) < 6


def test_faults(tmp_path: Path) -> None:
    """Every fault of a plan has its line; the file is named once."""
    path = tmp_path / "bad.toml"
    path.write_text(PLAN.replace("times = 1", "tims = 1").replace("margin", "margn"))
    result = call("accept", "causeway", str(path))
    assert result.exit_code == 2
    first, second = result.stderr.splitlines()
    assert first.startswith(f"nightbench: {path}: unknown key: margn @ step.1.margn")
    assert second.startswith("nightbench:   unknown key: tims @ step.2.tims")


def test_boards_that_may_fail(plan: str) -> None:
    """On lights, a plan that makes boards fail has to be meant."""
    result = call("accept", "causeway", plan, "--link", "/dev/none")
    assert result.exit_code == 2
    assert "meant to make boards fail" in result.stderr


def test_schema_of_a_plan() -> None:
    """The schema is there for editors."""
    said = strictly(call("schema", "--plan").stdout)
    assert said["title"] == "nightbench plan of acceptance"
