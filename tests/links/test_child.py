"""The example of a child program: a host build of firmware that shares its source.

The header comes from the profile, gcc builds the program, and what it shows is held
against the schedule, packet for packet.
"""

from __future__ import annotations

import importlib.util
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest
from unit.cli.calls import process

from bench.api import header
from bench.link.lines import parse_line
from bench.profile import load_profile
from bench.traffic.schedule import Schedule
from bench.wire.format import format_of
from bench.wire.packets import build, encode

HERE = Path(__file__).parent / "child"
PROFILE = HERE / "profile.toml"

SOON_S = 30.0

pytestmark = pytest.mark.skipif(
    shutil.which("gcc") is None, reason="gcc is not installed"
)


@pytest.fixture(scope="module")
def node(tmp_path_factory):
    """The program, built without a warning."""
    folder = tmp_path_factory.mktemp("child")
    text = header(load_profile(PROFILE))
    (folder / "bollards.h").write_text(text, "ascii")
    flags = ["-std=c99", "-O2", "-Wall", "-Wextra", "-Werror", "-pedantic"]
    words = ["gcc", *flags, "-I", folder, HERE / "node.c", "-o", folder / "node"]
    built = subprocess.run(words, capture_output=True, encoding="utf-8", check=False)
    assert built.returncode == 0, built.stderr
    return folder / "node"


def told_by(node, octets):
    """What it says of some octets, line by line."""
    ran = subprocess.run([node], input=octets, capture_output=True, timeout=SOON_S)
    assert (ran.returncode, ran.stderr) == (0, b"")
    lines = [parse_line(line) for line in ran.stdout.decode("ascii").splitlines()]
    assert None not in lines
    return lines


def packet(address, payload, **spoilt):
    """One packet on the line."""
    packets = format_of(load_profile(PROFILE).packet)
    return encode(packets, build(packets, address=address, payload=payload, **spoilt))


def test_it_shows_what_a_schedule_sends(node):
    """Every packet of 200, by its own node, octet for octet; and nothing foreign."""
    profile = load_profile(
        PROFILE, ["traffic.foreign.share=20 %", "traffic.foreign.addresses=[7, 9]"]
    )
    schedule = Schedule(profile, seed=11, packets=200)
    octets, sent, foreign = b"", [], 0
    while (chunk := schedule.take(5000)) is not None:
        line, packets = chunk
        octets += line.octets.tobytes()
        for row in packets.rows:
            if row["to"] < 0:
                foreign += 1
                continue
            at = int(row["payload_at"])
            payload = packets.payload[at : at + int(row["payload_octets"])]
            sent.append((str(row["address"]), payload.tobytes().hex().upper()))
    assert len(sent) == 200
    assert foreign > 50
    told = told_by(node, octets)
    assert {word for word, _ in told} == {"shown"}
    assert [(values["node"], values["octets"]) for _, values in told] == sent
    assert {values["clocks"] for _, values in told} == {"32"}


def test_it_tells_what_it_drops(node):
    """A bad check, a bad length and a wrong size, each between two good packets."""
    good = packet(2, bytes(range(8)))
    spoilt = [
        (packet(1, bytes(8), check_xor=1), "bad-check"),
        (packet(1, bytes(3)), "wrong-size"),
        (b"\xc3\x96\x01\x11", "bad-length"),
        (b"\xc3\x96\x01\x00", "bad-length"),
    ]
    told = told_by(node, good + b"".join(one + good for one, _ in spoilt))
    dropped = [values for word, values in told if word == "dropped"]
    assert dropped == [{"node": "1", "reason": reason} for _, reason in spoilt]
    assert [word for word, _ in told] == ["shown", *["dropped", "shown"] * 4]


def test_it_finds_markers_after_rubbish(node):
    """First octets of a marker before one, and rubbish, do not hide a packet."""
    good = packet(1, b"\xc3\x96" * 4)
    told = told_by(node, b"\xc3\xc3" + good + b"\x96\x00\xc3" + good)
    assert [values["octets"] for _, values in told] == ["C396" * 4] * 2


def test_a_broadcast_is_shown_by_both(node):
    """Both nodes, in the order of the profile."""
    told = told_by(node, packet(0, bytes(8)))
    assert [(word, values["node"]) for word, values in told] == [
        ("shown", "1"),
        ("shown", "2"),
    ]


@pytest.mark.skipif(
    importlib.util.find_spec("bench.trial.links") is None,
    reason="this version has no live links",
)
def test_the_bench_streams_to_it(node, tmp_path):
    """From a profile to a verdict with firmware that nobody simulates: all is shown."""
    link = f"child:{shlex.quote(str(node))}"
    ran = process(
        *("stream", str(PROFILE), "--link", link, "--packets", "100", "--seed", "3"),
        *("--logs", str(tmp_path), "--allow-bright", "--allow-flashing"),
        cwd=tmp_path,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "\nPASS  " in ran.stdout
    assert "100 of 100 packets shown" in ran.stdout


def test_the_example_is_about_sixty_lines():
    """It is to be read in one go."""
    assert len((HERE / "node.c").read_text("ascii").splitlines()) < 80
