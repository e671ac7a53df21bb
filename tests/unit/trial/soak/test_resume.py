"""A night that was broken off goes on in its own ledger, and says what is missing."""

from __future__ import annotations

import shutil
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest
from unit.trial.soak.nights import Live, S, World, events, intervals, night, profile_of

from bench.api_soak import resume_soak, soak
from bench.base.errors import LedgerError, UsageError
from bench.ledger import Ledger, read_run
from bench.ledger.lines import line_of

if TYPE_CHECKING:
    from pathlib import Path

LOST_AT = 7.5


def whole(logs: Path) -> tuple[Path, Any]:
    """A night with a loss, a pause and a change; its folder and its result."""
    world = World()
    world.at(LOST_AT, lambda: setattr(world, "lose", 3))
    world.at(12, lambda: setattr(world, "pausing", True))
    world.at(15, lambda: setattr(world, "pausing", False))
    result, stored = night(
        logs,
        world,
        duration="30s",
        interval="1s",
        schedule=["4s traffic.frame_rate=8 Hz", "20s silence 2s"],
    )
    return stored.folder, result


def broken_off(folder: Path, to: Path, octets: int) -> Path:
    """A copy of a night as a crash leaves it: no verdict, a log cut anywhere."""
    shutil.copytree(folder, to)
    (to / "verdict.json").unlink(missing_ok=True)
    (to / "report.txt").unlink(missing_ok=True)
    log = to / "intervals.log"
    log.write_bytes(log.read_bytes()[:octets])
    return to


def gone_on(folder: Path) -> Any:
    """The night goes on over the same nodes."""
    world = World()
    return resume_soak(
        folder,
        make_link=lambda: Live(world, profile_of()),
        stop=world.stop,
        clock=world.clock,
        system=world,
        commands=world,
    )


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """The night."""
    return whole(tmp_path_factory.mktemp("whole"))


@pytest.mark.parametrize("share", [0.0, 0.03, 0.3, 0.55, 0.8, 1.0])
def test_goes_on(ended: Any, tmp_path: Path, share: float) -> None:
    """Wherever it was cut: no count that was written changes, and the rest is sent."""
    folder, first = ended
    log = (folder / "intervals.log").read_bytes()
    cut = broken_off(folder, tmp_path / "run", round(share * len(log)))
    before = read_run(cut)
    had, happened = intervals(before), events(before)
    result = gone_on(cut)
    stored = read_run(cut)
    assert result.run == cut
    assert intervals(stored)[: len(had)] == had
    (crashed,) = events(stored, "crashed")
    missing_ns = 0 if share in (0, 1) else S
    assert crashed["missing_ns"] == missing_ns
    said = (
        "what was sent after that is missing, about 1 s" if missing_ns else "nothing is"
    )
    assert said in crashed["text"]
    rows = intervals(stored)
    assert [one["number"] for one in rows] == list(range(len(rows)))
    assert all(a["to_ns"] <= b["from_ns"] for a, b in pairwise(rows))
    assert all(a["awake_ns"] <= b["awake_ns"] for a, b in pairwise(rows))
    for word in ("offered", "shown", "lost"):
        told = sum(one["packets"][word] for one in rows)
        assert result.figures["packets"][word] == told
        nodes = [node["packets"][word] for node in result.figures["nodes"]]
        assert sum(nodes) == told
    seeds = [one["seed"] for one in events(stored, "stretch began")]
    assert len(set(seeds)) == len(seeds)
    soaked = result.figures["soak"]
    assert soaked["missing_ns"] == missing_ns
    assert soaked["events"] >= len(happened) + 1
    assert result.figures["seed"] == first.figures["seed"]
    assert rows[-1]["to_ns"] > 20 * S
    silences = events(stored, "silence")
    assert len(silences) == 1


def test_losses_before_are_not_forgotten(ended: Any, tmp_path: Path) -> None:
    """What was lost before fails the night after, with its cause and its example."""
    folder, first = ended
    log = (folder / "intervals.log").read_bytes()
    result = gone_on(broken_off(folder, tmp_path / "run", len(log) * 6 // 10))
    assert result.verdict == first.verdict == "FAIL"
    assert result.figures["packets"]["lost"] == 3
    assert result.figures["causes"] == first.figures["causes"]
    assert result.figures["examples"] == first.figures["examples"]


def test_damaged_lines_are_missing_and_counted(ended: Any, tmp_path: Path) -> None:
    """A flipped bit costs its interval, which is missing and not guessed."""
    folder, _ = ended
    cut = broken_off(folder, tmp_path / "run", 1 << 30)
    log = cut / "intervals.log"
    lines = log.read_bytes().splitlines(keepends=True)
    numbers = [k for k, line in enumerate(lines) if b'"number":9,' in line]
    lines[numbers[0]] = lines[numbers[0]].replace(b'"number":9,', b'"number":8,')
    log.write_bytes(b"".join(lines[:-1]))
    result = gone_on(cut)
    missing_ns = result.figures["soak"]["missing_ns"]
    assert 1.9 * S <= missing_ns <= 2.1 * S
    (crashed,) = events(read_run(cut), "crashed")
    assert crashed["damaged"] == 1


def test_not_twice(ended: Any) -> None:
    """A night that has its verdict does not go on."""
    with pytest.raises(LedgerError, match="run has ended"):
        gone_on(ended[0])


def test_two_benches(ended: Any, tmp_path: Path) -> None:
    """Two benches do not write one ledger; the second is told, and touches nothing."""
    cut = broken_off(ended[0], tmp_path / "run", 3000)
    before = {path.name: path.read_bytes() for path in cut.iterdir()}
    with (
        Ledger.resume(cut),
        pytest.raises(LedgerError, match="another bench writes this ledger"),
    ):
        gone_on(cut)
    assert {path.name: path.read_bytes() for path in cut.iterdir()} == before
    assert gone_on(cut).verdict in ("PASS", "FAIL")


def test_needs_its_link(ended: Any, tmp_path: Path) -> None:
    """A night over a link does not go on with simulated nodes."""
    cut = broken_off(ended[0], tmp_path / "run", 3000)
    with pytest.raises(UsageError, match="this night needs its link: loop"):
        resume_soak(cut)
    gone_on(cut)


def test_no_night(tmp_path: Path) -> None:
    """The folder of something else is no night."""
    facts: dict[str, Any] = {"seed": 1, "point": {}, "rig": {}, "dut": {}}
    with Ledger.create(tmp_path, "20261125T024440Z", "stream", facts, "") as ledger:
        folder = ledger.folder
    with pytest.raises(LedgerError, match="not a night that can be gone on with"):
        resume_soak(folder)
    with pytest.raises(LedgerError, match="not the folder of a run"):
        resume_soak(tmp_path)


def test_newer(ended: Any, tmp_path: Path) -> None:
    """A ledger of a newer version is named, and not touched."""
    cut = broken_off(ended[0], tmp_path / "run", 3000)
    run = cut / "run.json"
    run.write_text(run.read_text().replace('"ledger": 1', '"ledger": 2'))
    before = {path.name: path.read_bytes() for path in cut.iterdir()}
    with pytest.raises(LedgerError, match="ledger of a newer format: 2"):
        gone_on(cut)
    assert {path.name: path.read_bytes() for path in cut.iterdir()} == before


def test_simulated(tmp_path: Path) -> None:
    """A night on simulated nodes goes on to the length that it was to have."""
    profile = profile_of()
    first = soak(profile, duration="20s", interval="1s", seed=3, logs=tmp_path / "a")
    log = (first.run / "intervals.log").read_bytes()
    cut = broken_off(first.run, tmp_path / "run", len(log) // 2)
    at_ns = intervals(read_run(cut))[-1]["to_ns"]
    result = resume_soak(cut)
    assert result.verdict == "PASS"
    rest_ns = result.figures["trial_ns"] - at_ns
    assert result.figures["trial_ns"] == pytest.approx(20 * S, abs=S // 5)
    assert rest_ns > 5 * S
    assert result.figures["packets"]["offered"] == pytest.approx(800, abs=8)


def test_other_records_are_left_out(tmp_path: Path, ended: Any) -> None:
    """Records of a kind that nobody here knows are no reason to refuse a night."""
    cut = broken_off(ended[0], tmp_path / "run", 3000)
    with (cut / "intervals.log").open("ab") as log:
        log.write(b"\n" + line_of({"event": "comet", "text": "?"} | FILLED))
        log.write(line_of({"weather": "fair"}))
    assert gone_on(cut).figures["packets"]["offered"] > 0


FILLED = {
    "from_ns": 0,
    "to_ns": 0,
    "stretch": 0,
    "at": None,
    "awake_ns": 0,
    "total_ns": None,
}
