"""What lies under a folder of runs, and what of it is put away."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from bench.base.errors import LedgerError
from bench.ledger import Ledger
from bench.ledger.index import Listed, listed
from bench.ledger.prune import GOING_ON_S, delete, kept_all_the_same, picked

if TYPE_CHECKING:
    from pathlib import Path

FACTS: dict[str, Any] = {
    "seed": 7,
    "point": {},
    "rig": {},
    "dut": {"serial": "17"},
    "profile": "causeway",
    "link": "simulated",
}
PASS = {"verdict": "PASS", "reason": "800 of 800 packets shown"}
DAY_S = 24 * 3600.0


def made(
    logs: Path, when: str, what: str = "stream", verdict: dict[str, Any] | None = PASS
) -> Path:
    """A run."""
    with Ledger.create(logs, when, what, FACTS, 'name = "causeway"\n') as ledger:
        ledger.interval({"from_ns": 0})
        if verdict is not None:
            ledger.verdict(verdict)
    written_s = datetime.strptime(when, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    for path in [*ledger.folder.iterdir(), ledger.folder]:
        os.utime(path, (written_s.timestamp(),) * 2)
    return ledger.folder


def one(logs: Path, *, every_line: bool = False) -> Listed:
    """The only run."""
    (run,), _ = listed(logs, every_line=every_line)
    return run


def test_newest_first(tmp_path: Path) -> None:
    """Runs are told the newest first, those of one second by their numbers."""
    whens = ["20261125T024440Z", "20261124T235959Z", "20261125T024440Z"]
    folders = [made(tmp_path, when) for when in whens]
    runs, others = listed(tmp_path)
    assert [run.folder for run in runs] == [folders[2], folders[0], folders[1]]
    assert others == []
    assert {run.state for run in runs} == {"ended"}


def test_what_is_told(tmp_path: Path) -> None:
    """A run's kind, verdict, profile and size are told, as strict JSON."""
    folder = made(tmp_path, "20261125T024440Z", "two-words")
    run = one(tmp_path)
    said = json.loads(json.dumps(run.as_dict(), allow_nan=False))
    assert said["what"] == "two-words"
    assert (said["verdict"], said["profile"], said["seed"]) == ("PASS", "causeway", 7)
    assert said["octets"] == sum(path.stat().st_size for path in folder.iterdir())
    assert said["written"] == "20261125T024440Z"


def test_unfinished(tmp_path: Path) -> None:
    """A run without a verdict is unfinished, and nothing is invented for it."""
    made(tmp_path, "20261125T024440Z", verdict=None)
    run = one(tmp_path)
    assert (run.state, run.fault, run.verdict) == ("unfinished", "", None)
    assert run.as_dict()["verdict"] is None


def test_damage_at_first_sight(tmp_path: Path) -> None:
    """What can be seen without reading the logs is told, each with what it is."""
    for name, octets, fault in (
        ("verdict.json", b'{"verdict": "PA', "verdict damaged"),
        ("profile.toml", b"changed", "resolved profile was changed"),
        ("profile.toml", None, "resolved profile missing"),
        ("run.json", b"[]", "run facts damaged"),
        ("run.json", None, "no run.json"),
    ):
        folder = made(tmp_path, "20261125T024440Z")
        if octets is None:
            (folder / name).unlink()
        else:
            (folder / name).write_bytes(octets)
        run = one(tmp_path)
        assert run.state == "damaged"
        assert fault in run.fault
        delete(tmp_path, [run])


def test_damage_in_a_log(tmp_path: Path) -> None:
    """A flipped bit deep in a log is found when every line is read."""
    folder = made(tmp_path, "20261125T024440Z")
    log = folder / "intervals.log"
    log.write_bytes(log.read_bytes().replace(b"from", b"frOm"))
    assert one(tmp_path).state == "ended"
    run = one(tmp_path, every_line=True)
    assert run.state == "damaged"
    assert run.fault.startswith("damaged line")


def test_newer_formats(tmp_path: Path) -> None:
    """A run of a newer format is named as one, and never put away."""
    folder = made(tmp_path, "20261125T024440Z")
    facts = json.loads((folder / "run.json").read_text())
    (folder / "run.json").write_text(json.dumps(facts | {"ledger": 99}))
    run = one(tmp_path)
    assert run.state == "newer"
    assert "newer format" in run.fault
    assert kept_all_the_same(run, run.written_s + 1e9) == "of a newer format"


def test_what_is_no_run(tmp_path: Path) -> None:
    """Other files and folders are named, links to runs are not followed."""
    folder = made(tmp_path / "elsewhere", "20261125T024440Z")
    logs = tmp_path / "logs"
    (logs / "rigs").mkdir(parents=True)
    (logs / "notes.txt").write_text("")
    (logs / folder.name).symlink_to(folder)
    assert listed(logs) == ([], [folder.name, "notes.txt"])


def test_no_folder(tmp_path: Path) -> None:
    """A folder that is not there is told in a line."""
    with pytest.raises(LedgerError, match="ledger cannot be read: No such file"):
        listed(tmp_path / "logs")


# --- put away -------------------------------------------------------------------------


def test_picked(tmp_path: Path) -> None:
    """Age and size pick together; what was just as old is kept."""
    made(tmp_path, "20261101T000000Z")
    made(tmp_path, "20261125T000000Z")
    runs, _ = listed(tmp_path)
    now_s = runs[0].written_s + DAY_S
    old = picked(runs, now_s=now_s, older_s=DAY_S)
    assert [run.when for run in old] == ["20261101T000000Z"]
    assert picked(runs, now_s=now_s, larger=10**6) == []
    assert len(picked(runs, now_s=now_s, larger=100)) == 2
    assert len(picked(runs, now_s=now_s, larger=100, older_s=DAY_S)) == 1


def test_a_clock_that_was_wrong_makes_nothing_old(tmp_path: Path) -> None:
    """Of when it was written and when it began, the later one counts."""
    folder = made(tmp_path, "20261125T000000Z")
    began_s = one(tmp_path).written_s
    for path in [*folder.iterdir(), folder]:
        os.utime(path, (0, 0))
    assert one(tmp_path).written_s == began_s


def test_a_run_that_may_go_on(tmp_path: Path) -> None:
    """A run without a verdict is kept for a day after it was last written."""
    made(tmp_path, "20261125T000000Z", verdict=None)
    run = one(tmp_path)
    assert kept_all_the_same(run, run.written_s + 3600) == "may still go on"
    assert kept_all_the_same(run, run.written_s + GOING_ON_S) == ""


def test_deleted_whole(tmp_path: Path) -> None:
    """What is deleted is gone, and nothing else; a rest of an earlier time goes too."""
    going = made(tmp_path, "20261101T000000Z")
    staying = made(tmp_path, "20261125T000000Z")
    rest = tmp_path / ".gone-20261001T000000Z-soak"
    rest.mkdir()
    (rest / "intervals.log").write_text("half")
    runs, _ = listed(tmp_path)
    delete(tmp_path, [run for run in runs if run.folder == going])
    assert list(tmp_path.iterdir()) == [staying]
    assert one(tmp_path).state == "ended"


def test_links_inside_a_run_are_not_followed(tmp_path: Path) -> None:
    """A link out of a run's folder goes, what it points at stays."""
    treasure = tmp_path / "treasure"
    treasure.mkdir()
    (treasure / "kept.txt").write_text("kept")
    folder = made(tmp_path / "logs", "20261101T000000Z")
    (folder / "link").symlink_to(treasure)
    delete(tmp_path / "logs", [one(tmp_path / "logs")])
    assert (treasure / "kept.txt").read_text() == "kept"


def test_not_deleted(tmp_path: Path) -> None:
    """A run that went away meanwhile is told, with its folder."""
    folder = made(tmp_path, "20261101T000000Z")
    run = one(tmp_path)
    delete(tmp_path, [run])
    with pytest.raises(LedgerError, match=f"run not deleted: .* @ {folder}"):
        delete(tmp_path, [run])
