"""`nightbench serve` as a process: another program opens its port by plain means."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import time
from contextlib import contextmanager

import pytest
from unit.cli.calls import ROOT, command, environment
from unit.trial.serve.rig import SMALL, parsed, rig, traffic

SOON_S = 60.0
"""Compiling may have to be waited for, where nothing ran before."""

PACKETS = 12

SETS = [
    word for text in (*SMALL, "traffic.foreign.share=0") for word in ("--set", text)
]


@contextmanager
def served(*words):
    """A process that serves small nodes, and the port that it says."""
    words = command("serve", "causeway", *SETS, "--json", "--seed", "5", *words)
    with subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        env=environment(),
        cwd=ROOT,
    ) as process:
        try:
            for line in process.stderr:
                if found := re.match(r"port\s+(\S+)", line):
                    yield process, found[1]
                    break
            else:
                pytest.fail("it did not say how to reach it")
        finally:
            process.kill()


def ended(process):
    """Stop it as Ctrl-C does; the object that it prints."""
    process.send_signal(signal.SIGINT)
    stdout, _ = process.communicate(timeout=SOON_S)
    assert process.returncode == 128 + signal.SIGINT
    return json.loads(stdout)


def talk(send, take, shown=PACKETS):
    """Send packets in their time; the lines that come back, so many of them shown."""
    began, told = time.monotonic_ns(), b""
    for at_ns, octets in traffic(rig(), PACKETS):
        while time.monotonic_ns() - began < at_ns:
            time.sleep(0.001)
        left = octets
        while left:
            left = left[send(left) :]
            told += take()
    end = time.monotonic() + SOON_S
    while told.count(b"shown node=") < shown or not told.endswith(b"\n"):
        assert time.monotonic() < end, f"they never came: {told!r}"
        time.sleep(0.005)
        told += take()
    return parsed(told)


def expected_payloads():
    """What the nodes are to show: the payloads of the schedule."""
    return sorted(octets[6:38].hex().upper() for _, octets in traffic(rig(), PACKETS))


def unless_full(call, nothing):
    """A call that does nothing where it would have to wait."""
    try:
        return call()
    except BlockingIOError:
        return nothing


def by_pty(path):
    """Two ways to talk, and one to stop."""
    number = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    return (
        lambda octets: unless_full(lambda: os.write(number, octets), 0),
        lambda: unless_full(lambda: os.read(number, 1 << 16), b""),
        lambda: os.close(number),
    )


def by_tcp(url):
    """Two ways to talk, and one to stop."""
    host, port = url.removeprefix("socket://").rsplit(":", 1)
    one = socket.create_connection((host, int(port)), SOON_S)
    one.setblocking(False)
    return (
        lambda octets: unless_full(lambda: one.send(octets), 0),
        lambda: unless_full(lambda: one.recv(1 << 16), b""),
        one.close,
    )


@pytest.mark.parametrize("way", ["pty", "tcp"])
def test_two_visitors_one_after_another(way, tmp_path):
    """Each sees all that he sent shown, from a time base of his own."""
    path = tmp_path / "bus"
    words = ["--pty", str(path)] if way == "pty" else ["--tcp", "0"]
    with served(*words) as (process, port):
        assert way == "tcp" or port == str(path)
        for _ in range(2):
            send, take, go = (by_pty if way == "pty" else by_tcp)(port)
            told = talk(send, take)
            go()
            time.sleep(0.1)
            assert {word for word, _ in told} == {"shown"}
            assert sorted(values["octets"] for _, values in told) == expected_payloads()
            assert {values["clocks"] for _, values in told} == {"32"}
            assert 0 < int(told[0][1]["burst"]) < 50_000_000
        said = ended(process)
    assert said["visitors"] == 2
    assert sum(node["shown"] for node in said["nodes"]) == 2 * PACKETS
    assert said["characters"] == 2 * sum(len(o) for _, o in traffic(rig(), PACKETS))
    assert said["signal"] == signal.SIGINT
    assert not path.is_symlink()


def test_a_visitor_who_leaves_in_the_middle(tmp_path):
    """Half a packet, and gone: the next visitor's packets are shown."""
    with served("--pty", str(tmp_path / "bus")) as (process, port):
        send, take, go = by_pty(port)
        send(traffic(rig(), 1)[0][1][:20])
        go()
        time.sleep(0.1)
        send, take, go = by_pty(port)
        # The nodes still wait for the rest, and take the first packet for it.
        told = talk(send, take, PACKETS - 1)
        go()
        said = ended(process)
    words = [word for word, _ in told]
    assert words.count("shown") == PACKETS - 1
    assert said["visitors"] == 2


def test_a_defect_that_is_switched_on():
    """Every third packet of each node is missing, as the process was told to do."""
    with served("--tcp", "0", "--fault", "drop=3") as (process, port):
        send, take, go = by_tcp(port)
        told = talk(send, take, 8)
        go()
        said = ended(process)
    assert len(told) == 8
    assert sum(node["shown"] for node in said["nodes"]) == 8
