"""Upsets from Python: what they leave behind, and what is refused."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from unit.traffic.profiles import small
from unit.trial.upset.plain_nodes import Garbling, PlainNodes

import bench
from bench.base.clock import JumpClock
from bench.base.errors import LinkError, UsageError
from bench.ledger import read_run
from bench.trial.upset.named import NAMES

if TYPE_CHECKING:
    from pathlib import Path

    from bench import Progress, UpsetResult


def upset(logs: Path, **given: Any) -> UpsetResult:
    """Upsets of the small profile, on nodes that only decode."""
    profile = small("marker")
    given = {"times": 1, "make_link": lambda: PlainNodes(profile)} | given
    return bench.upset(profile, logs=logs, **given)


def test_result_is_what_is_stored(tmp_path: Path) -> None:
    """The figures are strict JSON, and are those of the run's folder."""
    result = upset(tmp_path, upsets=["silence"], seed=3, dut={"serial": "0042"})
    assert (result.verdict, result.exit_code, result.signal) == ("PASS", 0, None)
    assert json.loads(json.dumps(result.as_dict(), allow_nan=False)) == result.as_dict()
    run = read_run(result.run)
    assert run.verdict == result.as_dict()
    assert run.run["upsets"] == ["silence"]
    assert run.run["dut"]["serial"] == "0042"
    assert run.run["seed"] == result.seed == 3
    names = {path.name for path in result.run.iterdir()}
    assert {"profile.toml", "run.json", "verdict.json", "report.txt"} <= names


def test_everything_unless_some_are_named(tmp_path: Path) -> None:
    """All upsets in their order, whatever the order in which some are named."""
    every = upset(tmp_path).figures["upsets"]
    assert [one["upset"] for one in every] == list(NAMES)
    some = upset(tmp_path, upsets=["stuck-break", "power-up"]).figures["upsets"]
    assert [one["upset"] for one in some] == ["power-up", "stuck-break"]


def test_a_failure_is_a_result(tmp_path: Path) -> None:
    """A node that errs raises nothing; its anomalies say in which upset it did."""
    profile = small("marker")
    link = lambda: PlainNodes(profile, Garbling)  # noqa: E731
    result = upset(tmp_path, upsets=["fast-baud"], make_link=link, times=2)
    assert (result.verdict, result.exit_code) == ("FAIL", 1)
    kept = read_run(result.run).anomalies.records
    corrupt = [one for one in kept if one["kind"] in ("corrupt", "stray")]
    assert corrupt
    assert {one["upset"] for one in corrupt} == {"fast-baud"}


def test_somebody_looks_on(tmp_path: Path) -> None:
    """Each trial that is over is told of, the calm one among them."""
    told: list[Progress] = []

    class Watcher:
        folder: Path | None = None

        def begun(self, folder: Path) -> None:
            self.folder = folder

        def progress(self, progress: Progress) -> None:
            told.append(progress)

    watcher = Watcher()
    result = upset(
        tmp_path, upsets=["silence"], times=2, watcher=watcher, clock=JumpClock()
    )
    assert watcher.folder == result.run
    assert [one.counts for one in told] == [{"trials": k, "of": 3} for k in (1, 2, 3)]
    assert told[-1].share == 1.0
    assert told[-1].trial_ns == result.figures["trial_ns"]
    assert result.figures["spent_ns"] == 0


def test_how_long(tmp_path: Path) -> None:
    """Text and nanoseconds mean the same, and upsets of no length have none."""
    for duration in ("7 ms", 7_000_000):
        result = upset(tmp_path, upsets=["stuck-break", "power-up"], duration=duration)
        lasts = {one["upset"]: one["lasts_ns"] for one in result.figures["upsets"]}
        assert lasts == {"stuck-break": 7_000_000, "power-up": 0}


def test_a_line_that_stands_still_may_do_so_for_long(tmp_path: Path) -> None:
    """Nothing of it has to be worked out, however long it is held low."""
    result = upset(tmp_path, upsets=["stuck-break", "silence"], duration="12 s")
    assert result.verdict == "PASS", result.reason


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (
            {"upsets": ["power-cut"]},
            f"no such upset: power-cut, expected {', '.join(NAMES)} @ upsets",
        ),
        ({"times": 0}, "out of range: 0, expected 1 to 1000 @ times"),
        ({"times": 1001}, "out of range: 1001, expected 1 to 1000 @ times"),
        ({"seed": -1}, "out of range: -1, expected 0 to 18446744073709551615 @ seed"),
        ({"duration": 0}, "no time: 0, expected more than 0 s @ duration"),
        ({"duration": "0 s"}, "no time: 0 s, expected more than 0 s @ duration"),
        (
            {"duration": "11 s", "upsets": ["swapped-wires", "silence"]},
            (
                "too long to be worked out bit by bit: 11 s, expected at most 10.49 s "
                "@ duration"
            ),
        ),
        (
            {"dut": {"colour": "red"}},
            (
                "nothing of that name: colour, expected serial, revision, firmware, "
                "operator @ dut"
            ),
        ),
    ],
)
def test_what_is_refused(tmp_path: Path, given: dict[str, Any], message: str) -> None:
    """Before anything is written."""
    with pytest.raises(UsageError) as raised:
        upset(tmp_path, **given)
    assert str(raised.value) == message
    assert not list(tmp_path.iterdir())


def test_a_link_that_is_lost(tmp_path: Path) -> None:
    """It is raised, and the folder says that there is no verdict."""
    profile = small("marker")

    class Lost(PlainNodes):
        carried = 0

        def carry(self, line: Any, sent: Any = None) -> Any:
            Lost.carried += 1
            if Lost.carried > 4:
                raise LinkError("link lost: the adapter is gone")
            return super().carry(line, sent)

    with pytest.raises(LinkError):
        upset(tmp_path, upsets=["silence"], make_link=lambda: Lost(profile))
    (folder,) = tmp_path.iterdir()
    assert not (folder / "verdict.json").exists()
    text = (folder / "report.txt").read_text("utf-8")
    assert text == "no verdict\nlink lost: the adapter is gone\n"
