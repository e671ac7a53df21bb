"""The plug-in's fixtures that work in real time, in a project of their own."""

from __future__ import annotations

import shutil

import pytest
from plugin.project import CHILD, Project, example

SERVED = '''
import socket, time

import pytest
from bench.wire.format import format_of
from bench.wire.packets import build, encode


def packet(profile, node, payload):
    form = format_of(profile.packet)
    return encode(form, build(form, address=node.address, payload=payload))


def answered(node, octets, lines):
    """What comes back, until so many lines are there."""
    with socket.create_connection((node.host, node.port), timeout=10) as port:
        port.sendall(octets)
        told = b""
        while told.count(b"\\n") < lines:
            told += port.recv(4096)
    return told.decode().splitlines()


def test_it_is_reached(nightbench_node, nightbench_profile):
    """A packet is shown, and told on the way back."""
    upper = nightbench_profile.node[0]
    octets = packet(nightbench_profile, upper, b"8 octets")
    (line,) = answered(nightbench_node, octets, 1)
    assert line.startswith("shown node=1 octets=" + b"8 octets".hex().upper())
    figures = nightbench_node.stop()
    assert figures.nodes["upper"].shown == 1
    assert figures.nodes["lower"].shown == 0
    assert nightbench_node.stop() is figures


class TestBad:
    """A board that is bad on purpose."""

    @pytest.fixture
    def nightbench_faults(self):
        return ("drop=1",)

    def test_a_fault(self, nightbench_node, nightbench_profile):
        """Told as another program would see it: nothing is shown, nothing comes."""
        upper = nightbench_profile.node[0]
        octets = packet(nightbench_profile, upper, b"8 octets")
        where = (nightbench_node.host, nightbench_node.port)
        with socket.create_connection(where) as port:
            port.sendall(octets)
            time.sleep(0.2)
        assert nightbench_node.stop().nodes["upper"].shown == 0
'''


def test_a_served_node(tmp_path):
    """Any program opens its port; what it did is told at the end; faults as asked."""
    project = Project(tmp_path)
    project.copy(CHILD / "profile.toml").write(test_it=SERVED)
    ran = project.run("-q", "--nightbench-profile=profile.toml")
    assert ran.counts == {"passed": 2}, ran.text


@pytest.mark.skipif(shutil.which("gcc") is None, reason="gcc is not installed")
def test_a_campaign(tmp_path):
    """It passes good firmware; an ignored check is found, and told what to send."""
    words = ("-q", "test_campaign.py")
    project = example(tmp_path)
    ran = project.run(*words)
    assert ran.counts == {"passed": 1}, ran.text
    project.change("node.c", "!sound ?", "!sound && payload > 8 ?")
    ran = project.run(*words)
    assert ran.counts == {"failed": 1}, ran.text
    assert "unsound: something was shown that no sound packet for this node" in ran.text
    assert "    should  nothing is shown" in ran.text
    assert "    send    " in ran.text


def test_streams(tmp_path):
    """The bus and a program are streamed to as `bench.stream` does."""
    tests = """
def test_bus(nightbench_bus):
    result = nightbench_bus.stream(packets=20)
    assert (result.verdict, result.seed) == ("PASS", 4)
    assert (result.run / "verdict.json").exists()

def test_child(nightbench_child):
    result = nightbench_child.stream(packets=10)
    assert result.verdict == "FAIL"  # cat shows nothing
"""
    project = Project(tmp_path).copy(CHILD / "profile.toml").write(test_it=tests)
    ran = project.run(
        *("-q", "--nightbench-profile=profile.toml", "--nightbench-seed=4"),
        "--nightbench-child=cat",
    )
    assert ran.counts == {"passed": 2}, ran.text
