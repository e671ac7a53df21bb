"""A run that is killed: every record that the ledger had taken is there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from crash import night

from bench.ledger import Ledger, read_log, read_run

pytestmark = pytest.mark.skipif(
    not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught"
)

TESTS = Path(__file__).parents[1]
AT = [11, 13, 14, 21, 25, 27, 29, 36, 64, 66]
"""Steps to die at: first segments, lines, syncs, later segments, the verdict."""


def start(*given: object) -> subprocess.Popen[str]:
    """The run in a process of its own."""
    paths = [str(TESTS.parent), str(TESTS)]
    return subprocess.Popen(
        [sys.executable, "-m", "crash.night", *map(str, given)],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(paths)},
        stdout=subprocess.PIPE,
        text=True,
    )


def check(root: Path, said: list[str]) -> None:
    """What is on the disk is what was taken, and one record more at most."""
    (folder,) = root.iterdir()
    run = read_run(folder)
    found = {"interval": run.intervals, "anomaly": run.anomalies}
    written = {"interval": night.INTERVALS, "anomaly": night.ANOMALIES}
    extra = 0
    for name, log in found.items():
        assert log.records == written[name][: len(log.records)]
        assert log.damaged == []
        assert log.missing == []
        assert all(octets > 0 for _, octets in log.segments)
        extra += len(log.records) - said.count(name)
        assert len(log.records) >= said.count(name)
    assert extra <= 1
    if run.verdict is not None:
        assert run.verdict == night.VERDICT
        return
    before = {p: p.read_bytes() for p in folder.glob("*.log")}
    with Ledger.resume(folder) as ledger:
        ledger.interval({"n": "resumed"})
    after = read_log(folder / "intervals.log")
    assert after.records == [*run.intervals.records, {"n": "resumed"}]
    assert all(path.read_bytes().startswith(octets) for path, octets in before.items())


@pytest.mark.parametrize("part", [0, 5])
@pytest.mark.parametrize("at", AT)
def test_killed_at_a_step(tmp_path: Path, at: int, part: int) -> None:
    """A process killed at a step of its writing, or half through it, loses nothing."""
    process = start(tmp_path, at, part)
    said, _ = process.communicate(timeout=60)
    assert process.returncode == -signal.SIGKILL
    check(tmp_path, said.split())


@pytest.mark.parametrize("after", [1, 9])
def test_killed_from_outside(tmp_path: Path, after: int) -> None:
    """A process killed by another, at no step in particular, loses nothing."""
    process = start(tmp_path, 10_000, 0)
    assert process.stdout is not None
    said = [process.stdout.readline().strip() for _ in range(after)]
    process.kill()
    # Through the same stream: it may have read on, and `communicate` would not know.
    rest = process.stdout.read()
    process.wait(timeout=60)
    process.stdout.close()
    assert process.returncode in (-signal.SIGKILL, 0)
    check(tmp_path, said + rest.split())
