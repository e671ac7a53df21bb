"""A disk that fails at any one step: what is on it stays sound, and it is said once."""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING, Any

import pytest
from crash import night
from crash.faulty import Faulty, FaultyFile, broken, full

from bench.base.errors import ExitCode, LedgerError
from bench.ledger import read_log, read_run
from bench.ledger.files import DISK, Disk, OpenFile

if TYPE_CHECKING:
    from pathlib import Path

    from bench.ledger import Ledger, LogRead

BEGUN = 9
"""Steps until the folder is there: itself, and four for each of the two first files."""

LAST = 200
"""More steps than the run takes."""


def count(root: Path) -> int:
    """Steps that the run takes on a sound disk."""
    disk = Faulty(LAST, 0, full)
    with night.begin(root, disk) as ledger:
        night.steps(ledger, str)
    return disk.steps


def run(ledger: Ledger, errors: list[LedgerError]) -> None:
    """The run, each of its calls made whatever became of the one before."""

    def call(work: Any, *given: Any) -> None:
        try:
            work(*given)
        except LedgerError as error:
            errors.append(error)

    for record in night.INTERVALS:
        call(ledger.interval, record)
        if record["n"] % 3 == 0:
            call(ledger.anomaly, night.ANOMALIES[record["n"] // 3])
            call(ledger.sync)
    call(ledger.verdict, night.VERDICT)
    call(ledger.report, "PASS\n")
    call(ledger.close)


def sound(log: LogRead, written: list[dict[str, Any]]) -> None:
    """A log holds a prefix of what was written, in segments none of which is empty."""
    assert log.records == written[: len(log.records)]
    assert log.damaged == []
    assert all(octets > 0 for _, octets in log.segments)
    assert log.missing == []


def at_each_step(tmp_path: Path) -> list[tuple[int, int]]:
    """Every step after the beginning, done not at all and done in part."""
    steps = count(tmp_path / "sound")
    assert BEGUN + 30 < steps < LAST
    return [(at, part) for at in range(BEGUN + 1, steps + 1) for part in (0, 7)]


@pytest.mark.parametrize("on_failure", ["stop", "continue"])
@pytest.mark.parametrize("lasts", [True, False])
def test_any_step_fails(tmp_path: Path, on_failure: str, lasts: bool) -> None:
    """Whichever step fails, the logs are sound and the one event is right."""
    for at, part in at_each_step(tmp_path):
        errors: list[LedgerError] = []
        disk = Faulty(at, part, broken, lasts)
        ledger = night.begin(tmp_path / f"{at}-{part}", disk, on_failure)
        run(ledger, errors)
        stored = read_run(ledger.folder)
        sound(stored.intervals, night.INTERVALS)
        sound(stored.anomalies, night.ANOMALIES)
        assert len(errors) == (on_failure == "stop" and ledger.failed is not None)
        on_disk = len(stored.intervals.records) + len(stored.anomalies.records)
        given = len(night.INTERVALS) + len(night.ANOMALIES)
        if ledger.failed is None:  # what failed was only putting a draft away
            assert on_disk == given
            continue
        assert given - ledger.unwritten <= on_disk
        text = str(ledger.failed)
        assert "Input/output error" in text
        stopped = re.match(r"log stopped at record (\d+): .*(interval|anomal)", text)
        if stopped is None:
            assert re.match(r"(verdict.json|report.txt) not written: ", text)
            assert on_disk == given
            continue
        log = stored.intervals if stopped[2] == "interval" else stored.anomalies
        assert len(log.records) - int(stopped[1]) + 1 in range(7)
        assert ledger.unwritten > 0
        if stored.verdict is not None:
            assert stored.verdict["ledger"] == {
                "failed": text,
                "unwritten": ledger.unwritten,
            }


def test_stopped_where_it_says(tmp_path: Path) -> None:
    """The event names the first record that is not known to be kept, counted from 1."""
    failures = 0
    for at, part in at_each_step(tmp_path):
        disk = Faulty(at, part, full, lasts=False)
        with night.begin(tmp_path / f"{at}-{part}", disk) as ledger:
            synced, error = 0, None
            try:
                for record in night.INTERVALS:
                    ledger.interval(record)
                    ledger.sync()
                    synced += 1
            except LedgerError as caught:
                error = caught
        if error:
            failures += 1
            first = f"log stopped at record {synced + 1}: No space left on device @ "
            assert str(error).startswith(first)
            assert error.exit_code == ExitCode.LEDGER == 5
            assert ledger.unwritten == 1
    assert failures > 50


def test_failed_sync_puts_records_in_doubt(tmp_path: Path) -> None:
    """After a failed sync, what was written since the last one is in doubt."""
    disk = Faulty(LAST, 0, broken, lasts=False)
    ledger = night.begin(tmp_path, disk, "continue")
    for n in range(5):
        ledger.interval({"n": n})
    disk.at = disk.steps + 1
    ledger.sync()
    ledger.interval({"n": 5})
    ledger.close()
    assert str(ledger.failed).startswith("log stopped at record 2: Input/output error")
    assert ledger.unwritten == 5  # 4 in doubt, 1 not tried; the first came with a name


class Grudging(Disk):
    """A disk that takes a few octets at a time."""

    def create(self, path: Path) -> OpenFile:
        """See `Files`."""
        return GrudgingFile(Faulty(LAST * 100, 0, full), super().create(path))

    def append(self, path: Path) -> OpenFile:
        """See `Files`."""
        return GrudgingFile(Faulty(LAST * 100, 0, full), super().append(path))


class GrudgingFile(FaultyFile):
    """A file of such a disk."""

    def write(self, octets: bytes) -> int:
        """See `OpenFile`."""
        return self.file.write(octets[:7])


def test_written_in_pieces(tmp_path: Path) -> None:
    """A disk that takes less than it was given is given the rest."""
    with night.begin(tmp_path, Grudging()) as ledger:
        night.steps(ledger, str)
    run = read_run(ledger.folder)
    assert run.intervals.records == night.INTERVALS
    assert run.verdict == night.VERDICT
    assert run.faults == ()


def test_torn_write_is_taken_back(tmp_path: Path) -> None:
    """Part of a line is taken back while the segment is still ours alone."""
    disk = Faulty(LAST, 7, full, lasts=False)
    ledger = night.begin(tmp_path, disk, "continue")
    ledger.interval({"n": 1})
    before = (ledger.folder / "intervals.log").read_bytes()
    disk.at = disk.steps + 1
    ledger.interval({"n": 2})
    assert ledger.failed is not None
    assert (ledger.folder / "intervals.log").read_bytes() == before


def test_torn_write_of_two_is_left(tmp_path: Path) -> None:
    """Nothing is taken back where somebody else has written to the segment."""
    disk = Faulty(LAST, 7, full, lasts=False)
    ledger = night.begin(tmp_path, disk, "continue")
    ledger.interval({"n": 1})
    path = ledger.folder / "intervals.log"
    theirs = path.read_bytes() + b"x" * 100
    path.write_bytes(theirs)
    disk.at = disk.steps + 1
    ledger.interval({"n": 2})
    assert path.read_bytes().startswith(theirs)
    assert read_log(path).records == [{"n": 1}]


def test_folder_goes(tmp_path: Path) -> None:
    """A folder that is deleted under the run is noticed when it is synced."""
    ledger = night.begin(tmp_path, DISK)
    ledger.interval({"n": 1})
    ledger.sync()
    ledger.interval({"n": 2})
    shutil.rmtree(ledger.folder)
    ledger.interval({"n": 3})
    with pytest.raises(LedgerError, match="log stopped at record 2: the file was del"):
        ledger.sync()
    ledger.close()
    assert ledger.unwritten == 2


def test_close_does_not_hide_the_cause(tmp_path: Path) -> None:
    """A sync that fails at the end does not take the place of what ended the run."""
    disk = Faulty(LAST, 0, broken)
    ledger = night.begin(tmp_path, disk)
    ledger.interval({"n": 1})
    ledger.interval({"n": 2})
    disk.at = disk.steps + 1
    with pytest.raises(RuntimeError, match="plug pulled"), ledger:
        raise RuntimeError("plug pulled")
    assert str(ledger.failed).startswith("log stopped at record 2: Input/output error")
