"""A stream over a link, and afterwards a capture of its bus: was it as planned?"""

from __future__ import annotations

import json

import pytest
from unit.cli.calls import call

from bench.api import load_profile
from bench.traffic.schedule import Schedule
from bench.wire.characters import write_levels
from bench.wire.waveform import characters_of

SMALL = (
    "bus.baud=1 Mbaud",
    "output.devices=1",
    "output.lanes=4",
    "output.register_bits=176",
    "output.latch_gap=20 us",
    "traffic.frame_rate=20 Hz",
)
SETS = [word for text in SMALL for word in ("--set", text)]


def dump(path, octets, rest_at=None, rest_ns=0):
    """A value change dump of a line on which octets stand back to back."""
    format_ = characters_of(load_profile("causeway", SMALL).bus)
    words = ["$timescale 10 ns $end", "$scope module probe $end"]
    words += ["$var wire 1 ! bus $end", "$var wire 1 % other $end", "$upscope $end"]
    words += ["$enddefinitions $end", "#0 1! 0%"]
    cut = len(octets) if rest_at is None else rest_at
    start_ns = 50_000
    for part in (octets[:cut], octets[cut:]):
        for ns, level in write_levels(part, format_, start_ns):
            words.append(f"#{ns // 10} {level}!")
        start_ns = format_.character.at(len(part), start_ns) + rest_ns
    path.write_text("\n".join(words), "ascii")
    return str(path)


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A stream on the loop: its logs, its folder, what it put on the line."""
    folder = tmp_path_factory.mktemp("run")
    logs = ["--logs", str(folder / "logs")]
    words = ["stream", "causeway", *SETS, "--packets", "12", "--seed", "6"]
    done = call(*words, "--link", "loop", "--json", "--quiet", *logs)
    told = json.loads(done.stdout)
    schedule = Schedule(load_profile("causeway", SMALL), seed=6, packets=12)
    octets = b""
    while (chunk := schedule.take(1 << 20)) is not None:
        octets += chunk[0].octets.tobytes()
    assert told["link"]["counts"]["accepted"] == len(octets)
    return folder, told, octets


def judged(run, file, *words):
    """What the command says of a capture."""
    folder, told, _ = run
    logs = ["--logs", str(folder / "logs"), "--json"]
    named = ["--signal", "bus", "--run", told["run"]]
    done = call("qualify", "--capture", file, *named, *logs, *words)
    return done.exit_code, json.loads(done.stdout)


def test_proven_by_a_capture(run):
    """The whole run on a line that never rested: proven, and the rig is kept so."""
    folder, told, octets = run
    assert told["rig"] == "rig not qualified: nightbench qualify --link loop"
    code, found = judged(run, dump(folder / "good.vcd", octets))
    assert (code, found["verdict"]) == (0, "PASS")
    assert found["pacing"]["grade"] == "proven"
    assert found["shown"]["baud"]["baud"] == pytest.approx(1_000_000, rel=1e-4)
    again = call(
        *("stream", "causeway", *SETS, "--packets", "4", "--link", "loop"),
        *("--logs", str(folder / "logs")),
    )
    text = " ".join(again.stdout.split())
    assert "loop qualified from a capture of the bus" in text
    assert "real baud 1 Mbaud" in text


def test_a_line_that_rested_is_told(run):
    """One rest of 300 us: bounded by it, exit code 1."""
    folder, _, octets = run
    file = dump(folder / "rested.vcd", octets, 700, 300_000)
    code, found = judged(run, file)
    assert (code, found["pacing"]["grade"]) == (1, "bounded")
    assert "rested once inside runs, 300 us in all" in found["reason"]


def test_another_bus_proves_nothing(run):
    """A capture of something else is VOID, and not a fault of the rig."""
    code, found = judged(run, dump(run[0] / "other.vcd", bytes(range(200))))
    assert (code, found["pacing"]["grade"]) == (4, "unproven")


def test_a_capture_alone(run):
    """Without a run: real baud, rests, portions; kept under a link's name if told."""
    folder, _, octets = run
    logs = ["--logs", str(folder / "logs")]
    file = dump(folder / "alone.vcd", octets, 500, 2_000_000)
    words = ["qualify", "--capture", file, "--signal", "bus", "--baud", "1 Mbaud"]
    done = call(*words, *logs)
    assert done.exit_code == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert "the real baud is 1 Mbaud" in text
    assert "rested 1 times" not in text
    assert "the line rested once" in text


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ([], "nothing to measure"),
        (["--link", "loop", "--run", "logs"], "nothing was captured: --run"),
        (["--capture", "x.vcd", "--ear", "loop"], "nothing to hold: --ear"),
        (["--capture", "no-such.vcd"], "cannot read the file"),
        (["--capture", "x.vcd", "--run", "r", "--baud", "1 Mbaud"], "profile of its"),
    ],
)
def test_refused_at_once(tmp_path, words, text):
    """What cannot be is said in one line, and no run is begun."""
    done = call("qualify", *words, "--logs", str(tmp_path / "logs"))
    assert done.exit_code == 2
    assert text in done.stderr
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "logs").exists()
