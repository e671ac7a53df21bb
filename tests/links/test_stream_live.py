"""Streams over real links: what a second process reads, losses, stops, and exit codes.

Real time passes here, a few seconds for each.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from unit.cli.calls import call, command, environment

import bench
from bench.ledger import read_run
from bench.link.cut_off import CutOffError
from bench.traffic.safe import safe_frame
from bench.traffic.schedule import Schedule
from bench.trial.links import LinkOptions, open_link

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pty")

FAR = Path(__file__).with_name("far_end.py")
POINT = ("bus.baud=2 Mbaud", "traffic.frame_rate=10 Hz")
SETS = [word for text in POINT for word in ("--set", text)]


class FarEnd:
    """A far end in a process of its own, and what it read."""

    def __init__(self, file: Path, *words: str) -> None:
        self.file = file
        self.process = subprocess.Popen(
            [sys.executable, str(FAR), str(file), *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.said = self.line()

    def line(self) -> str:
        """The next line that it says."""
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    @property
    def octets(self) -> bytes:
        """What it has read."""
        return self.file.read_bytes()

    def end(self) -> None:
        """Let it end."""
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def far(tmp_path):
    """Makes far ends, and ends them."""
    made = []

    def make(*words: str) -> FarEnd:
        made.append(FarEnd(tmp_path / "heard", *words))
        return made[-1]

    yield make
    for one in made:
        one.end()


def line_of(profile, packets: int) -> bytes:
    """What a schedule puts on the line."""
    return Schedule(profile, seed=5, packets=packets).take(1 << 24)[0].octets.tobytes()


def until(check, seconds: float = 10.0) -> None:
    """Until something holds."""
    deadline = time.monotonic() + seconds
    while not check():
        assert time.monotonic() < deadline
        time.sleep(0.002)


@pytest.mark.parametrize("pacing", ["packed", "timed"])
def test_a_second_process_reads_the_schedule(far, tmp_path, pacing):
    """Octet by octet, at the far end of a port: the schedule, then the safe level."""
    end = far()
    overrides = (*POINT, f"traffic.pacing={pacing}", "traffic.foreign.share=0 %")
    profile = bench.load_profile("causeway", overrides)
    line, safe = line_of(profile, 16), safe_frame(profile, 0, 0).octets.tobytes()
    with open_link(end.said, profile) as link:
        result = bench.stream(
            profile, packets=16, seed=5, link=link, logs=tmp_path / "logs"
        )
    until(lambda: len(end.octets) >= len(line) + len(safe))
    assert end.octets == line + safe
    counts = result.figures["link"]["counts"]
    assert counts["offered"] == counts["accepted"] == len(line)
    assert result.verdict == "VOID"
    assert any("set observe.by to" in text for text in result.figures["void"])
    assert result.exit_code == 4


def test_a_pty_of_the_bench(far, tmp_path):
    """Somebody opens the pty that the bench made; from then on it streams."""
    path = tmp_path / "bus"
    running = subprocess.Popen(
        command(
            *("stream", "causeway", *SETS, "--packets", "8", "--seed", "5"),
            *("--link", f"pty:{path}", "--json", "--quiet"),
        ),
        cwd=tmp_path,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    until(path.exists, 30)
    end = far("--open", str(path))
    out, err = running.communicate(timeout=60)
    assert running.returncode == 4, err
    figures = json.loads(out)
    profile = bench.load_profile("causeway", POINT)
    line, safe = line_of(profile, 8), safe_frame(profile, 0, 0).octets.tobytes()
    assert end.octets == line + safe
    assert "the other end of the pty is /dev/pts/" in err
    assert figures["link"]["counts"]["accepted"] == len(line)


def test_lost_is_told_in_time(far, tmp_path):
    """The far end hangs up: within 0.2 s it is one event; the ledger is whole."""
    end = far("--most", "30000")
    profile = bench.load_profile("causeway", POINT)
    noticed = []
    with open_link(end.said, profile) as link:
        carry = link.carry

        def watched(line, sent=None):
            try:
                return carry(line, sent)
            except CutOffError:
                noticed.append(time.monotonic_ns())
                raise

        link.carry = watched
        result = bench.stream(
            profile, duration="60s", seed=5, link=link, logs=tmp_path / "logs"
        )
    hung_up_ns = int(end.line())
    assert noticed[0] - hung_up_ns < 200_000_000
    assert result.exit_code == 3
    assert result.verdict == "VOID"
    assert result.reason.startswith("link lost: ")
    kept = read_run(result.run)
    assert kept.verdict is not None
    told = sum(record["link"]["accepted"] for record in kept.intervals.records)
    assert told == result.figures["link"]["counts"]["accepted"]
    assert result.figures["link"]["safe_level"]["sent"] is False
    accepted = result.figures["link"]["counts"]["accepted"]
    assert end.octets == line_of(profile, 4 * 10 * 5)[:30_000]
    assert accepted >= 30_000


def test_peer_that_stops_reading(far, tmp_path):
    """Back-pressure: refused after a bounded time, with exact counts; exit code 3."""
    end = far("--most", "30000", "--then", "stall")
    profile = bench.load_profile("causeway", POINT)
    options = LinkOptions(refuse_ns=1_000_000_000)
    with open_link(end.said, profile, options=options) as link:
        began = time.monotonic()
        result = bench.stream(
            profile, duration="60s", seed=5, link=link, logs=tmp_path / "logs"
        )
        assert time.monotonic() - began < 8
    assert result.exit_code == 3
    assert "peer not reading" in result.reason
    assert result.figures["link"]["back_pressure"]["times"] == 1


class Night:
    """A long stream in a process of its own."""

    def __init__(self, cwd: Path, *words: str) -> None:
        self.cwd = cwd
        night = ["stream", "causeway", *SETS, "--for", "10h", "--seed", "5", *words]
        self.process = subprocess.Popen(
            command(*night),
            cwd=cwd,
            env=environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_DFL),  # noqa: PLW1509
        )
        self.took_s = 0.0

    def stop(self, *numbers: int) -> tuple[str, str]:
        """Send signals, 50 ms apart; what it wrote."""
        began = time.monotonic()
        for number in numbers:
            self.process.send_signal(number)
            time.sleep(0.05)
        out, err = self.process.communicate(timeout=60)
        self.took_s = time.monotonic() - began
        return out, err

    @property
    def run(self) -> Path:
        """The folder of its run."""
        (run,) = (self.cwd / "logs").iterdir()
        return run


SIGNALS = [(signal.SIGTERM,), (signal.SIGINT, signal.SIGINT), (signal.SIGHUP,)]


def test_signals_on_a_loop(tmp_path):
    """One orderly stop: within 2 s, its own exit code, totals that agree, a report."""
    nights = []
    for numbers in SIGNALS:
        folder = tmp_path / numbers[0].name
        folder.mkdir()
        nights.append(Night(folder, "--link", "loop", "--quiet"))
    for night in nights:
        until((night.cwd / "logs").exists, 60)
    time.sleep(2.5)
    for night, numbers in zip(nights, SIGNALS, strict=True):
        night.stop(*numbers)
        assert night.process.returncode == 128 + numbers[0]
        assert night.took_s < 2
        kept = read_run(night.run)
        assert kept.verdict["signal"] == numbers[0].name
        offered = kept.verdict["packets"]["offered"]
        assert offered > 0
        told = [record["packets"]["offered"] for record in kept.intervals.records]
        assert sum(told) == offered
        assert kept.verdict["link"]["safe_level"]["sent"]
        assert (night.run / "report.txt").read_text("utf-8").startswith("VOID")


@pytest.mark.parametrize("then", ["reads", "stall"])
def test_stop_on_a_port(far, tmp_path, then):
    """Told to stop, it ends within a second, also while nobody reads."""
    words = () if then == "reads" else ("--most", "30000", "--then", "stall")
    end = far(*words)
    night = Night(tmp_path, "--link", end.said, "--quiet")
    until(lambda: end.file.exists() and len(end.octets) >= 30_000, 60)
    time.sleep(0.5)
    night.stop(signal.SIGTERM)
    assert night.took_s < 1.5  # the process's own end included
    kept = read_run(night.run)
    assert kept.verdict["signal"] == "SIGTERM"
    if then == "reads":
        assert night.process.returncode == 143
        accepted = kept.verdict["link"]["counts"]["accepted"]
        assert len(end.octets) >= accepted
    else:
        assert night.process.returncode == 3
        assert kept.verdict["link"]["safe_level"]["sent"] is False


def test_bus_that_is_not_quiet(tmp_path):
    """Refused in one line, exit code 3, and nothing was sent."""
    master, near = os.openpty()
    try:
        done = subprocess.Popen(
            command("stream", "causeway", "--link", os.ttyname(near), "--quiet"),
            cwd=tmp_path,
            env=environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        while done.poll() is None:
            os.write(master, b"\x5a")
            time.sleep(0.02)
        _, err = done.communicate(timeout=30)
    finally:
        os.close(master)
        os.close(near)
    assert done.returncode == 3
    assert err.count("\n") == 1
    assert "the bus is not quiet" in err


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (["dmx512", "--link", "pty"], 3, "this link cannot send breaks"),
        (["causeway", "--link", "/dev/no-such-port"], 3, "/dev/no-such-port"),
        (["causeway", "--link", "udp:nowhere"], 2, "udp:HOST:PORT"),
        (["causeway", "--lead", "1ms"], 2, "nothing to hold on simulated nodes"),
    ],
)
def test_refused_at_once(tmp_path, words, code, text):
    """What cannot be is said in one line, without a traceback."""
    logs = ("--packets", "4", "--logs", str(tmp_path))
    done = call("stream", *words, *logs)
    assert done.exit_code == code, done.stderr
    assert done.stderr.count("\n") == 1
    assert text in done.stderr
