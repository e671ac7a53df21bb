"""A power cut: only what was synced is there, and it is a valid ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING, NoReturn

import pytest
from crash import night
from crash.faulty import Faulty, FaultyFile

from bench.ledger import read_run
from bench.ledger.files import DISK, OpenFile

if TYPE_CHECKING:
    from pathlib import Path


class PowerCutError(BaseException):
    """The power is gone."""


def cut() -> NoReturn:
    """See `Faulty`."""
    raise PowerCutError


class VolatileFile(FaultyFile):
    """A file whose octets are lost unless they were synced."""

    def __init__(self, disk: Volatile, path: Path, file: OpenFile) -> None:
        super().__init__(disk, file)
        self.volatile, self.path = disk, path

    def sync(self) -> None:
        """See `OpenFile`."""
        super().sync()
        self.volatile.synced[self.path] = self.size()


class Volatile(Faulty):
    """A disk that forgets what was not synced when the power goes."""

    def __init__(self, at: int) -> None:
        super().__init__(at, 0, cut)
        self.synced: dict[Path, int] = {}

    def create(self, path: Path) -> OpenFile:
        """See `Files`."""
        super().create(path).close()
        self.synced[path] = 0
        return VolatileFile(self, path, DISK.append(path))

    def append(self, path: Path) -> OpenFile:
        """See `Files`."""
        super().append(path).close()
        return VolatileFile(self, path, DISK.append(path))

    def rename(self, old: Path, new: Path) -> None:
        """See `Files`."""
        super().rename(old, new)
        self.synced[new] = self.synced.pop(old)

    def forget(self) -> None:
        """What the power cut does to the files."""
        for path, octets in self.synced.items():
            path.write_bytes(path.read_bytes()[:octets])


def kept_of(said: list[str]) -> list[str]:
    """What had been said when the ledger was last synced."""
    last = max((n for n, text in enumerate(said) if text == "synced"), default=0)
    return said[:last]


@pytest.mark.parametrize("at", range(10, 71))
def test_power_cut_at_any_step(tmp_path: Path, at: int) -> None:
    """What was synced is read whole; a verdict is never there without its logs."""
    disk = Volatile(at)
    said: list[str] = []
    ledger = night.begin(tmp_path, disk)
    with pytest.raises(PowerCutError):
        night.steps(ledger, said.append)
    disk.forget()
    run = read_run(ledger.folder)
    for name, log, written in (
        ("interval", run.intervals, night.INTERVALS),
        ("anomaly", run.anomalies, night.ANOMALIES),
    ):
        assert log.records == written[: len(log.records)]
        assert (log.damaged, log.torn, log.missing) == ([], None, [])
        assert len(log.records) >= kept_of(said).count(name)
        if run.verdict is not None:
            assert log.records == written
            assert run.verdict == night.VERDICT


def test_power_cut_does_harm(tmp_path: Path) -> None:
    """The simulated cut does take away what was not synced."""
    disk = Volatile(10**6)
    ledger = night.begin(tmp_path, disk)
    for record in night.INTERVALS[:3]:
        ledger.interval(record)
    disk.forget()
    assert read_run(ledger.folder).intervals.records == night.INTERVALS[:1]
