"""The upset command: its trials, its codes, its one JSON object, its ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import call
from unit.cli.test_stream import strictly

from bench.ledger import read_run
from bench.trial.upset.named import NAMES, UPSETS

if TYPE_CHECKING:
    from pathlib import Path

QUICK = ["--times", "1", "--seed", "7"]


def upset(logs: Path, *words: str, code: int = 0) -> dict[str, Any]:
    """The object that an upset prints, once its exit code has been looked at."""
    result = call("upset", *words, "--json", "--logs", str(logs))
    assert result.exit_code == code, result.stderr
    return strictly(result.stdout)


def test_power_up(tmp_path: Path) -> None:
    """The shipped rig is itself again with the first packet that it hears whole."""
    said = upset(tmp_path, "causeway", "--trial", "power-up", *QUICK)
    assert (said["verdict"], said["exit_code"], said["seed"]) == ("PASS", 0, 7)
    assert said["reason"].startswith("power-up, once: nothing wrong was shown")
    (one,) = said["upsets"]
    assert (one["upset"], one["times"], one["lasts_ns"]) == ("power-up", 1, 0)
    for node in one["nodes"]:
        assert 1 <= node["first"] <= node["bound"] <= 2
        # The longest packet: 4,104 characters of 2.5 us, and until receivers are
        # in step.
        assert 10_260_000 <= node["bound_ns"] < 10_400_000
    assert said["trials"] == 2
    assert said["signal"] is None


def test_ledger_holds_the_same(tmp_path: Path) -> None:
    """What is printed is what the run's folder holds, with how to do it again."""
    words = ["causeway", "--set", "traffic.frame_rate=21 Hz", "--trial", "silence"]
    said = upset(tmp_path, *words, *QUICK)
    (folder,) = tmp_path.iterdir()
    assert folder.name.endswith("-upset")
    assert said["run"] == str(folder)
    stored = read_run(folder)
    assert stored.faults == ()
    assert stored.verdict == said
    assert stored.run["command"] == ["nightbench", "upset", *words, *QUICK]
    assert stored.run["upsets"] == ["silence"]
    assert stored.run["point"] == {"traffic.frame_rate": "21 Hz"}
    tags = {record["upset"] for record in stored.intervals.records}
    assert tags == {"calm", "silence"}
    report = (folder / "report.txt").read_text("utf-8")
    assert report.startswith("PASS")
    assert "silence" in report


def test_a_board_that_never_comes_back(tmp_path: Path) -> None:
    """Waiting for a silence on a line that never has one is a fault, with its code."""
    words = ["--set", "processor.resync=timeout", "--set", "packet.silence=1 ms"]
    said = upset(tmp_path, "causeway", *words, "--trial", "stuck-break", *QUICK, code=1)
    assert said["verdict"] == "FAIL"
    assert "never shows again" in said["reason"]
    assert [node["bound"] for node in said["upsets"][0]["nodes"]] == [None] * 4
    assert "resynchronise by timeout" in said["notes"][0]


def test_wrong_clocks_are_no_upset(tmp_path: Path) -> None:
    """What is wrong without an upset is told as such, and none is tried."""
    words = ["--set", "output.clock=2 MHz", "--trial", "silence"]
    said = upset(tmp_path, "causeway", *words, *QUICK, code=1)
    assert said["reason"].startswith("without any upset already: ")
    assert "1 clock too many" in said["reason"]
    assert said["upsets"] == []


def test_the_page(tmp_path: Path) -> None:
    """One table for people: an upset a row, its nodes below it."""
    words = ["causeway", "--trial", "power-up", *QUICK, "--logs", str(tmp_path)]
    result = call("upset", *words)
    assert result.exit_code == 0
    assert "shows again" in result.stdout
    assert "packet/bound" in result.stdout
    for name in ("power-up", "slack-water", "ebb", "flood-gate", "harbour-end"):
        assert name in result.stdout
    quiet = call("upset", *words, "--quiet")
    assert "shows again" not in quiet.stdout.split("\n", 1)[1]
    assert len(quiet.stdout.splitlines()) < 8


def test_a_signal_stops_it(tmp_path: Path) -> None:
    """What was asked for and not tried is said to be so; the code is the signal's."""
    from click.testing import CliRunner

    from bench.cli.face import nightbench
    from bench.cli.options import Session

    words = ["upset", "causeway", *QUICK, "--json", "--logs", str(tmp_path)]
    result = CliRunner().invoke(nightbench, words, obj=Session(lambda: 15))
    assert result.exit_code == 128 + 15
    said = strictly(result.stdout)
    assert (said["verdict"], said["signal"]) == ("VOID", "SIGTERM")
    assert said["reason"] == f"not tried: {', '.join(NAMES)}"


# --- asked for wrongly ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["causeway", "--trial", "power-op"],
            (
                f"no such upset: power-op, expected {', '.join(NAMES)} @ --trial "
                "(did you mean power-up?)"
            ),
        ),
        (
            ["causeway", "--times", "0"],
            "out of range: 0, expected a whole number, 1 to 1000 @ --times",
        ),
        (["causeway", "--for", "0 s"], "no time: 0 s, expected more than 0 s @ --for"),
        ([], "missing argument: PROFILE (see nightbench upset --help)"),
        (
            ["causeway", "--dut", "colour=red"],
            (
                "not a fact of the device: colour=red, expected serial=… or revision=… "
                "or operator=… @ --dut"
            ),
        ),
    ],
)
def test_faults(words: list[str], message: str) -> None:
    """One line, exit code 2, and nothing is tried."""
    result = call("upset", *words)
    assert result.exit_code == 2
    assert result.stderr.replace("nightbench: ", "").strip() == message


def test_help_lists_every_trial() -> None:
    """Each with its one line."""
    text = " ".join(call("upset", "--help").stdout.split())
    for one in UPSETS:
        assert f"{one.name} {one.line}" in text


def test_completion_of_trials() -> None:
    """A shell is offered the names that fit, with their lines."""
    from bench.cli.upset import UpsetName

    offered = UpsetName().shell_complete(None, None, "reset")
    assert [one.value for one in offered] == ["reset-receiving", "reset-showing"]
    assert offered[0].help == "the nodes are reset while one of them receives a packet"
