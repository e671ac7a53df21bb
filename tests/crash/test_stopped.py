"""A stream that is stopped by a signal, or by a disk that is full: nothing is lost."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import command, environment, process

from bench.ledger import read_run

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")

NIGHT = ["stream", "causeway", "--for", "10h", "--seed", "1"]


class Running:
    """A long stream in a process of its own."""

    def __init__(self, cwd: Path, *more: str, **env: str) -> None:
        self.cwd = cwd
        self.process = subprocess.Popen(
            command(*NIGHT, *more),
            cwd=cwd,
            env=environment(**env),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        self.took_s = 0.0

    def wait_for(self, pattern: str) -> None:
        """Until a file that fits exists, under the folder that it runs in."""
        deadline = time.monotonic() + 100
        while not list(self.cwd.glob(pattern)):
            assert self.process.poll() is None, self.process.communicate()
            assert time.monotonic() < deadline
            self.settle(0.01)

    def stop(self, *numbers: int) -> tuple[str, str, int]:
        """Send signals one right after the other; what it wrote, and its exit code."""
        began = time.monotonic()
        for number in numbers:
            self.process.send_signal(number)
            self.settle(0.001)
        out, err = self.process.communicate(timeout=60)
        self.took_s = time.monotonic() - began
        return out, err, self.process.returncode

    def settle(self, seconds: float) -> None:
        """Leave the processor to it for a moment."""
        try:
            self.process.wait(seconds)
        except subprocess.TimeoutExpired:
            return


def added_up(records: list[dict[str, Any]]) -> dict[str, int]:
    """The packets of all intervals."""
    words = records[0]["packets"].keys()
    return {word: sum(record["packets"][word] for record in records) for word in words}


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_stopped_in_the_middle(tmp_path: Path, name: str) -> None:
    """One orderly stop: the verdict is over what was sent, and every count adds up."""
    number = getattr(signal, name)
    # Whoever runs the tests may ignore it, as under nohup, and so would the process.
    before = signal.signal(number, signal.SIG_DFL)
    try:
        running = Running(tmp_path)
    finally:
        signal.signal(number, before)
    running.wait_for("logs/*/intervals.log")
    out, err, code = running.stop(number)
    assert code == 128 + number
    assert running.took_s < 2
    assert "Traceback" not in err
    (folder,) = (tmp_path / "logs").iterdir()
    stored = read_run(folder)
    assert stored.faults == ()
    assert stored.verdict is not None
    assert stored.verdict["signal"] == name
    assert stored.verdict["verdict"] == "PASS"
    assert stored.verdict["packets"]["offered"] > 0
    assert stored.verdict["packets"] == added_up(stored.intervals.records)
    last = stored.intervals.records[-1]
    assert last["to_ns"] == stored.verdict["trial_ns"] < 36_000 * 10**9
    report = (folder / "report.txt").read_text()
    assert out.endswith(report)
    assert f"\nstopped         by {name} after " in report


def test_stopped_at_once(tmp_path: Path) -> None:
    """Stopped while it is still loading: the run says so, and that it says nothing."""
    running = Running(tmp_path, "--json")
    running.wait_for("logs/*/run.json")
    out, _, code = running.stop(signal.SIGTERM)
    assert code == 143
    assert running.took_s < 2
    said = json.loads(out)
    assert said["signal"] == "SIGTERM"
    (folder,) = (tmp_path / "logs").iterdir()
    assert read_run(folder).verdict == said


def test_stopped_while_compiling(tmp_path: Path) -> None:
    """Kernels that are being compiled do not hold up a stop."""
    running = Running(tmp_path, NIGHTBENCH_CACHE=str(tmp_path / "cache"))
    running.wait_for("logs/*/run.json")
    running.settle(1)
    assert not list(tmp_path.glob("cache/*/*/*play*.nbi"))
    out, err, code = running.stop(signal.SIGINT)
    assert code == 130
    assert running.took_s < 2
    assert err.startswith("nightbench: compiling kernels takes under a minute, once; ")
    assert "VOID            no packet was offered" in out
    (folder,) = (tmp_path / "logs").iterdir()
    stored = read_run(folder)
    assert stored.verdict is not None
    assert stored.verdict["signal"] == "SIGINT"
    assert stored.verdict["packets"]["offered"] == 0


def test_second_signal_is_noted(tmp_path: Path) -> None:
    """A second signal changes nothing about the stop or its exit code."""
    running = Running(tmp_path)
    running.wait_for("logs/*/intervals.log")
    _, err, code = running.stop(signal.SIGINT, signal.SIGTERM)
    assert code == 130
    assert err in ("", "nightbench: SIGTERM came while already stopping\n")
    (folder,) = (tmp_path / "logs").iterdir()
    stored = read_run(folder)
    assert stored.faults == ()
    assert stored.verdict is not None
    assert stored.verdict["signal"] == "SIGINT"
    assert (folder / "report.txt").exists()


def test_third_signal_forces(tmp_path: Path) -> None:
    """A third signal ends the process at once; what was written is a valid ledger."""
    running = Running(tmp_path)
    running.wait_for("logs/*/intervals.log")
    _, _, code = running.stop(*[signal.SIGINT, signal.SIGTERM, signal.SIGHUP] * 5)
    assert code in (130, 143, 129)
    (folder,) = (tmp_path / "logs").iterdir()
    stored = read_run(folder)
    assert stored.intervals.damaged == []
    assert stored.intervals.torn is None
    assert stored.intervals.records


def test_switched_off_stays_off(tmp_path: Path) -> None:
    """Under `nohup` a hang-up is no reason to stop."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        running = Running(tmp_path)
    finally:
        signal.signal(signal.SIGHUP, before)
    running.wait_for("logs/*/intervals.log")
    running.process.send_signal(signal.SIGHUP)
    assert running.stop(signal.SIGTERM)[2] == 143
    (folder,) = (tmp_path / "logs").iterdir()
    verdict = read_run(folder).verdict
    assert verdict is not None
    assert verdict["signal"] == "SIGTERM"


# --- a full disk ----------------------------------------------------------------------

LIMIT = 20_000
"""Octets that a file may have: the log outgrows it, what is written whole does not."""


def limited() -> None:
    """Files of this process may not grow: `EFBIG`, where a full disk says `ENOSPC`."""
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (LIMIT, LIMIT))


@pytest.mark.parametrize("on_failure", ["stop", "continue"])
def test_log_outgrows_the_disk(tmp_path: Path, on_failure: str) -> None:
    """A log that cannot grow is one message and exit code 5; nothing old is harmed."""
    warm = ["stream", "causeway", "--packets", "40"]
    assert process(*warm, cwd=tmp_path).returncode == 0
    (old,) = (tmp_path / "logs").iterdir()
    before = {path: path.read_bytes() for path in old.iterdir()}
    words = ["--for", "20min", "--on-log-failure", on_failure]
    done = process("stream", "causeway", *words, cwd=tmp_path, preexec_fn=limited)
    assert done.returncode == 5
    (folder,) = set((tmp_path / "logs").iterdir()) - {old}
    message = f"File too large @ {folder.relative_to(tmp_path) / 'intervals.log'}"
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("nightbench: log stopped at record ")
    assert message in done.stderr
    stored = read_run(folder)
    assert stored.intervals.damaged == []
    assert stored.intervals.torn is None
    kept = len(stored.intervals.records)
    assert kept > 30  # intervals, at some 300 octets each
    assert all(path.read_bytes() == octets for path, octets in before.items())
    report = (folder / "report.txt").read_text()
    if on_failure == "stop":
        assert stored.verdict is None
        assert report.startswith("no verdict\nlog stopped at record ")
        return
    assert stored.verdict is not None
    assert stored.verdict["packets"]["offered"] == 20 * 60 * 20 * 4
    unwritten = stored.verdict["ledger"]["unwritten"]
    rest_ns = stored.verdict["trial_ns"] - stored.intervals.records[-1]["to_ns"]
    assert (unwritten - 1) * 10e9 <= rest_ns < unwritten * 12e9  # of 10 s and a chunk
    assert f"({unwritten} records not written)" in done.stderr
    assert "96 000   96 000" in done.stdout
    assert f"{unwritten} records not written" in " ".join(report.split())
