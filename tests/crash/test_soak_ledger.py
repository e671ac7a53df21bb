"""A night's ledger cut at every octet, and with every bit of a part flipped."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any

import pytest
from unit.trial.soak.nights import World, intervals, night, profile_of

from bench.ledger import read_run
from bench.ledger.lines import record_of
from bench.trial.soak.before import before_of
from bench.trial.soak.sums import Sums

if TYPE_CHECKING:
    from pathlib import Path

WORDS = ("offered", "shown", "lost")


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a short night with a loss and a pause."""
    world = World()
    world.at(1.3, lambda: setattr(world, "lose", 2))
    world.at(2.2, lambda: setattr(world, "pausing", True))
    world.at(3.2, lambda: setattr(world, "pausing", False))
    logs = tmp_path_factory.mktemp("logs")
    _, stored = night(logs, world, duration="7s", interval="500ms")
    return stored.folder


def summed(folder: Path) -> tuple[Any, Any, Any]:
    """What a bench that goes on makes of a folder."""
    stored, sums = read_run(folder), Sums(profile_of())
    before = before_of(stored.intervals.records, stored.anomalies.records, sums)
    return stored, before, sums


def check(folder: Path) -> int:
    """The totals are those of the whole records; how many intervals there are."""
    stored, before, sums = summed(folder)
    rows = intervals(stored)
    assert sums.intervals == len(rows)
    for word in WORDS:
        if rows:
            assert sums.packets[word] == sum(one["packets"][word] for one in rows)
    assert before.number == max((one["number"] + 1 for one in rows), default=0)
    return len(rows)


def test_cut_at_every_octet(ended: Path, tmp_path: Path) -> None:
    """However short the log is, its whole records are summed up, and no other."""
    folder = tmp_path / "run"
    shutil.copytree(ended, folder)
    log = folder / "intervals.log"
    octets = log.read_bytes()
    ends = [k for k in range(len(octets)) if octets[k] == 0x0A]
    lines = octets.split(b"\n")
    own = [b'"number"' in line for line in lines]
    # Between two ends of lines nothing changes but the tear: a few cuts of each do.
    cuts = {end + step for end in ends for step in (-1, 0, 1, 2)} | {0, 1, 9}
    cuts |= set(range(0, len(octets), 37))
    for cut in sorted(cuts):
        log.write_bytes(octets[:cut])
        whole = sum(end <= cut for end in ends)
        assert check(folder) == sum(own[:whole])


def test_every_flipped_bit(ended: Path, tmp_path: Path) -> None:
    """A flipped bit costs its record at most, and never changes a total."""
    folder = tmp_path / "run"
    shutil.copytree(ended, folder)
    log = folder / "intervals.log"
    octets = log.read_bytes()
    lines = octets.splitlines(keepends=True)
    own = sum(b'"number"' in line for line in lines)
    first = next(k for k, line in enumerate(lines) if b'"number":2,' in line)
    start = sum(map(len, lines[:first]))
    for octet in range(start, start + len(lines[first])):
        bit = octet % 8
        bad = bytearray(octets)
        bad[octet] ^= 1 << bit
        log.write_bytes(bad)
        newline = octets[octet] == 0x0A
        assert check(folder) == own - (2 if newline else 1)


def test_every_bit_of_a_record(ended: Path) -> None:
    """No flipped bit of a whole record, not one of eight, leaves it a record."""
    log = (ended / "intervals.log").read_bytes()
    line = next(line for line in log.splitlines() if b'"number":1,' in line)
    assert record_of(line) is not None
    for octet in range(len(line)):
        for bit in range(8):
            bad = bytearray(line)
            bad[octet] ^= 1 << bit
            assert record_of(bytes(bad)) is None
