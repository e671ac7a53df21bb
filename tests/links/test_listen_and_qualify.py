"""Listening and qualifying on real links: loop, pty, and the command line."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import tty

import pytest

from bench.api import load_profile
from bench.api_listen import listen
from bench.api_qualify import known_rig, qualify
from bench.base.clock import SystemClock
from bench.link.ports import make_transport
from bench.traffic.schedule import Schedule
from bench.trial.qualify.rules import QualifyRules

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here")

MS = 1_000_000
PROFILE = load_profile("causeway", ["bus.baud=1 Mbaud", "traffic.frame_rate=5 Hz"])


def octets_of(packets):
    """A schedule's octets."""
    line, sent = Schedule(PROFILE, seed=4, packets=packets).take(1 << 22)
    return line.octets.tobytes(), len(sent.rows)


def opened(path):
    """The far end of a pty, raw."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    return fd


@pytest.fixture
def short(monkeypatch):
    """Everything that qualifying does, in little time."""
    rules = QualifyRules(pings=30, flow_ns=100 * MS, writes=100)
    run = sys.modules["bench.trial.qualify.run"]
    monkeypatch.setattr(run.qualify, "__defaults__", (rules,))


def test_a_bus_on_a_pty_is_heard_and_nothing_is_sent(tmp_path):
    """Every packet that a program writes, and not one octet back."""
    clock = SystemClock()
    pty = make_transport("pty", PROFILE.bus, clock)
    octets, packets = octets_of(8)
    back = []

    def drive():
        fd = opened(pty.path)
        for at in range(0, len(octets), 3000):
            os.write(fd, octets[at : at + 3000])
            time.sleep(0.002)
        os.set_blocking(fd, False)
        time.sleep(0.05)
        try:
            back.append(os.read(fd, 100))
        except BlockingIOError:
            back.append(b"")
        os.close(fd)

    driver = threading.Thread(target=drive)
    driver.start()
    result = listen(PROFILE, pty, duration="5s", logs=tmp_path, clock=clock)
    driver.join()
    assert back == [b""]
    assert result.figures["characters"] == len(octets)
    assert result.figures["packets"] == packets
    # The program hung up: that is the end, with what was heard.
    assert result.exit_code == 3
    assert "link lost" in result.figures["link_lost"]


def test_the_command_stops_in_order_on_a_signal(tmp_path):
    """Ctrl-C: the summary, exit code 130, the recording whole."""
    link, rec = tmp_path / "bus", tmp_path / "bus.rec"
    words = ["listen", "causeway", "--link", f"pty:{link}", "--json"]
    words += ["--record", str(rec), "--logs", str(tmp_path / "logs")]
    words += ["--set", "bus.baud=1 Mbaud", "--set", "traffic.frame_rate=5 Hz"]
    process = subprocess.Popen(
        [sys.executable, "-m", "bench", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    try:
        deadline = time.monotonic() + 20
        while not link.exists() and time.monotonic() < deadline:
            time.sleep(0.02)
        fd = opened(str(link))
        octets, packets = octets_of(4)
        for at in range(0, len(octets), 2000):
            os.write(fd, octets[at : at + 2000])
            time.sleep(0.005)
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=10)
        os.close(fd)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 130, err
    told = json.loads(out)
    assert told["packets"] == packets
    assert told["recording"]["characters"] == len(octets)
    assert told["signal"] == "SIGINT"


@pytest.mark.usefixtures("short")
def test_the_loop_is_qualified(tmp_path):
    """All comes back, nothing keeps a baud, and that is said."""
    result = qualify("loop", logs=tmp_path)
    assert result.verdict == "PASS"
    assert result.figures["baud"] is None
    assert any("nothing below keeps a baud" in text for text in result.says)
    assert known_rig("loop", tmp_path)["run"] == result.run.name


@pytest.mark.usefixtures("short")
def test_a_pty_with_an_echo_is_qualified(tmp_path):
    """A program that gives everything back is a plug."""
    clock = SystemClock()
    pty = make_transport("pty", PROFILE.bus, clock)
    fd = opened(pty.path)

    def echo():
        while True:
            try:
                octets = os.read(fd, 4096)
            except OSError:
                return
            if not octets:
                return
            os.write(fd, octets)

    threading.Thread(target=echo, daemon=True).start()
    result = qualify(pty, logs=tmp_path, clock=clock)
    os.close(fd)
    assert result.verdict == "PASS", result.reason
    assert result.figures["round_trips"]["ns"]["n"] == 30
    assert result.figures["flow"]["lost"] == 0
