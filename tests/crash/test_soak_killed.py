"""A real soak, killed at random instants: one interval is missing at most.

The instants are drawn anew each time; the message of a failure has the seed.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from unit.cli.calls import command, environment, process

from bench.ledger import read_run

pytestmark = pytest.mark.skipif(
    not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught"
)

NIGHT = [
    "soak",
    "causeway",
    "--for",
    "40min",
    "--interval",
    "1s",
    "--at",
    "5min traffic.foreign.share=10 %",
    "--at",
    "10min silence 2s",
    "--set",
    "bus.baud=2 Mbaud",
    "--set",
    "traffic.frame_rate=5 Hz",
    "--set",
    "accept.skew=1 s",
]

INTERVAL_NS = 1_000_000_000

CHUNK_NS = 1_400_000_000

PATHS = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

LENGTH_NS = 40 * 60 * 10**9


def start(cwd: Path, *words: str) -> subprocess.Popen[str]:
    """A process of its own, which tells what it shows."""
    return subprocess.Popen(
        command(*words, "--quiet"),
        cwd=cwd,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def written(logs: Path) -> int:
    """Octets of the interval log."""
    return sum(path.stat().st_size for path in logs.glob("*/intervals*.log"))


def kill_at(running: subprocess.Popen[str], logs: Path, instant: float) -> bool:
    """Kill it so long after its first record; whether it was still there."""
    until, before = time.monotonic() + 100, written(logs)
    while written(logs) == before and running.poll() is None:
        assert time.monotonic() < until
        time.sleep(0.002)
    try:
        running.wait(instant)
    except subprocess.TimeoutExpired:
        running.kill()
    running.communicate(timeout=60)
    return running.returncode == -signal.SIGKILL


def checked(folder: Path) -> list[dict[str, Any]]:
    """Intervals of a ledger that is whole but for a last line."""
    stored = read_run(folder)
    assert stored.intervals.damaged == []
    assert stored.intervals.missing == []
    rows = [one for one in stored.intervals.records if "event" not in one]
    assert [one["number"] for one in rows] == list(range(len(rows)))
    assert all(a["to_ns"] <= b["from_ns"] for a, b in pairwise(rows))
    for one in rows:
        packets = one["packets"]
        assert packets["offered"] == packets["shown"] > 0
    return rows


def killed_and_resumed(tmp_path: Path, seed: int, times: int) -> None:
    """One night, killed so often, gone on with each time until it is over."""
    drawn = random.Random(seed)
    logs, words = tmp_path / "logs", [*NIGHT, "--seed", str(seed % 1000)]
    kills = 0
    while True:
        running = start(tmp_path, *words)
        if kills < times and kill_at(running, logs, drawn.uniform(0.0, 0.3)):
            kills += 1
        else:
            break
        (folder,) = logs.iterdir()
        checked(folder)
        words = ["soak", "--resume", str(folder)]
    out, err = running.communicate(timeout=300)
    assert running.returncode == 0, (seed, out, err)
    (folder,) = logs.iterdir()
    rows = checked(folder)
    stored = read_run(folder)
    assert stored.verdict is not None, seed
    verdict = stored.verdict
    offered = sum(one["packets"]["offered"] for one in rows)
    assert verdict["packets"]["offered"] == verdict["packets"]["shown"] == offered
    records = stored.intervals.records
    crashes = [one for one in records if one.get("event") == "crashed"]
    assert len(crashes) == kills, seed
    missing = sum(one["missing_ns"] for one in crashes)
    assert verdict["soak"]["missing_ns"] == missing <= kills * INTERVAL_NS
    # The line is covered but for what a rest of it, a frame at most, left open.
    covered = sum(one["to_ns"] - one["from_ns"] for one in rows)
    stretches = verdict["soak"]["stretches"]
    assert covered >= LENGTH_NS - (2 + stretches / 4) * INTERVAL_NS, seed
    began = [one["seed"] for one in records if one.get("event") == "stretch began"]
    assert len(set(began)) == len(began)


def test_killed_at_random(tmp_path: Path) -> None:
    """Killed twenty times over, and gone on with: never a wrong total."""
    assert process("stream", "causeway", "--packets", "4", cwd=tmp_path).returncode == 0
    for folder in (tmp_path / "logs").iterdir():
        for path in folder.iterdir():
            path.unlink()
        folder.rmdir()
    seed = random.SystemRandom().randrange(10**9)
    killed_and_resumed(tmp_path, seed, 20)


@pytest.mark.night
@pytest.mark.parametrize("turn", range(10))
def test_killed_all_night(tmp_path: Path, turn: int) -> None:
    """Two hundred times, in ten nights."""
    killed_and_resumed(tmp_path, random.SystemRandom().randrange(10**9) + turn, 20)


def test_at_most_one_interval(tmp_path: Path) -> None:
    """What a kill takes with it is less than an interval and what is on its way.

    On simulated nodes that is a chunk, 1.3 s on the line here, and what the next one is
    carried beside.
    """
    drawn = random.SystemRandom()
    for _ in range(3):
        logs = tmp_path / str(drawn.randrange(10**9))
        running = subprocess.Popen(
            [sys.executable, "-m", "crash.soaking", str(logs)],
            env=environment() | {"PYTHONPATH": os.pathsep.join(PATHS)},
            stdout=subprocess.PIPE,
            text=True,
        )
        assert running.stdout is not None
        told = [running.stdout.readline() for _ in range(drawn.randint(20, 80))]
        running.kill()
        told += running.stdout.read().splitlines()
        running.wait(60)
        running.stdout.close()
        (folder,) = logs.iterdir()
        rows = checked(folder)
        reached_ns = max(int(line) for line in told if line.strip())
        missing_ns = reached_ns - rows[-1]["to_ns"]
        assert missing_ns < 10 * INTERVAL_NS + 3 * CHUNK_NS


@pytest.mark.parametrize(
    ("numbers", "code"),
    [(["SIGTERM"], 143), (["SIGINT", "SIGINT"], 130), (["SIGHUP"], 129)],
)
def test_signals(tmp_path: Path, numbers: list[str], code: int) -> None:
    """One orderly stop: the verdict is over what was sent, and every count adds up.

    Reported in public threads of general-purpose software: a terminated process loses
    its tail, and a second Ctrl-C the clean-up.
    """
    values = [getattr(signal, name) for name in numbers]
    before = signal.signal(values[0], signal.SIG_DFL)
    try:
        running = start(tmp_path, "soak", "causeway", "--interval", "1s")
    finally:
        signal.signal(values[0], before)
    until = time.monotonic() + 60
    while not list(tmp_path.glob("logs/*/intervals.log")):
        assert running.poll() is None
        assert time.monotonic() < until
        time.sleep(0.01)
    time.sleep(0.5)
    began = time.monotonic()
    for number in values:
        running.send_signal(number)
        time.sleep(0.05)
    out, err = running.communicate(timeout=60)
    assert running.returncode == code
    assert time.monotonic() - began < 2 + 0.05 * len(values)
    assert "Traceback" not in err
    assert len(err.splitlines()) <= 1
    (folder,) = (tmp_path / "logs").iterdir()
    rows = checked(folder)
    stored = read_run(folder)
    assert stored.verdict is not None
    assert stored.verdict["signal"] == numbers[0]
    assert stored.verdict["soak"]["stopped_by"] == "signal"
    offered = sum(one["packets"]["offered"] for one in rows)
    assert stored.verdict["packets"]["offered"] == offered
    assert (folder / "report.txt").read_text().endswith("\n")
    assert out.count("PASS") == 1
