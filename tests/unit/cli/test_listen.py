"""Listening, recordings and qualifying from the command line."""

from __future__ import annotations

import re

import pytest
from unit.cli.calls import call
from unit.cli.test_stream import strictly
from unit.traffic.profiles import PACKETS, SMALL
from unit.trial.listen.reads import reads_of, sent_by

from bench.api import load_profile
from bench.trial.qualify.rules import QualifyRules
from bench.trial.recorded import Recorder


@pytest.fixture
def small_file(tmp_path):
    """A small profile as a file."""
    path = tmp_path / "small.toml"
    path.write_text(SMALL.format(packet=PACKETS["marker"]), "utf-8")
    return path


@pytest.fixture
def recording(tmp_path, small_file):
    """A recording of its traffic."""
    profile = load_profile(small_file)
    line, _ = sent_by(profile, 60)
    path = tmp_path / "bus.rec"
    with path.open("wb") as file:
        recorder = Recorder(file.write, profile)
        for read in reads_of(line, profile, 1):
            recorder.keep(read, read.at_ns)
    return path


def test_a_recording_is_streamed_and_judged(tmp_path, small_file, recording):
    """The same packets again, through the one path: shown, and the command told."""
    words = ["stream", str(small_file), "--recorded", str(recording), "--json"]
    result = call(*words, "--logs", str(tmp_path / "logs"), "--quiet")
    assert result.exit_code == 0, result.stderr
    said = strictly(result.stdout)
    assert said["packets"]["offered"] == said["packets"]["shown"] == 60
    again = call(
        "stream",
        *words[1:4],
        "--for",
        "100ms",
        "--quiet",
        "--json",
        "--logs",
        str(tmp_path / "logs"),
    )
    part = strictly(again.stdout)
    assert 10 < part["packets"]["offered"] < 60


def test_a_torn_recording_is_streamed_and_told(tmp_path, small_file, recording):
    """All before the tear is played; the tear is told with its place."""
    recording.write_bytes(recording.read_bytes()[:-1])
    result = call(
        "stream",
        str(small_file),
        "--recorded",
        str(recording),
        "--quiet",
        "--logs",
        str(tmp_path / "logs"),
    )
    assert result.exit_code == 0, result.stderr
    assert re.search(r"ends at octet \d+ with half a chunk", result.stderr)


@pytest.mark.parametrize(
    "words",
    [
        ["--packets", "3"],
        ["--line", "55h"],
        ["--play", "x"],
        ["--set", "bus.baud=2 Mbaud"],
    ],
)
def test_what_cannot_stand_beside_a_recording(small_file, recording, words):
    """Told in one line, with exit code 2."""
    result = call("stream", str(small_file), "--recorded", str(recording), *words)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "recording" in result.stderr


@pytest.mark.parametrize("content", [b"", b"nothing of the kind"])
def test_a_file_that_is_no_recording(tmp_path, small_file, content):
    """A fault of usage that names the file."""
    file = tmp_path / "some.bin"
    file.write_bytes(content)
    result = call("stream", str(small_file), "--recorded", str(file))
    assert result.exit_code == 2
    assert "not a recording" in result.stderr
    assert str(file) in result.stderr
    gone = call("stream", str(small_file), "--recorded", str(tmp_path / "gone"))
    assert gone.exit_code == 2
    assert "cannot read the file" in gone.stderr


def test_a_quiet_bus_is_void(tmp_path, small_file):
    """A loop that nobody feeds: nothing was heard, and plain text says so."""
    result = call(
        "listen",
        str(small_file),
        "--link",
        "loop",
        "--for",
        "50ms",
        "--logs",
        str(tmp_path),
    )
    assert result.exit_code == 4, result.stderr
    assert result.stdout.startswith("VOID")
    assert "nothing was heard" in result.stdout
    assert "\x1b" not in result.stdout
    assert "\r" not in result.stdout
    (folder,) = tmp_path.glob("*-listen")
    report = (folder / "report.txt").read_text("utf-8")
    assert report.startswith("VOID")


def test_it_needs_a_link(small_file):
    """There is nothing to listen to without."""
    result = call("listen", str(small_file))
    assert result.exit_code == 2
    assert "missing argument: link" in result.stderr


def test_a_link_that_is_not_there(tmp_path, small_file):
    """Exit code 3, one line."""
    result = call(
        "listen",
        str(small_file),
        "--link",
        str(tmp_path / "gone"),
        "--logs",
        str(tmp_path / "logs"),
    )
    assert result.exit_code == 3
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "logs").exists()


def test_qualify_prints_one_object(tmp_path, monkeypatch):
    """What is printed is what the ledger holds; the rig is kept by name."""
    from bench.trial.qualify import run

    short = QualifyRules(pings=25, flow_ns=20_000_000, writes=40)
    monkeypatch.setattr(run.qualify, "__defaults__", (short,))
    words = ["--link", "loop", "--baud", "2 Mbaud", "--set", "bus.parity=even"]
    result = call("qualify", *words, "--json", "--logs", str(tmp_path))
    assert result.exit_code == 0, result.stderr
    said = strictly(result.stdout)
    assert said["verdict"] == "PASS"
    assert said["flow"]["octets"] == 20_000_000 // 5500  # 11 bits at 2 Mbaud
    assert len(list((tmp_path / "rigs").iterdir())) == 1
    text = call("qualify", *words, "--logs", str(tmp_path))
    assert text.stdout.startswith("PASS")
    assert "this rig" in text.stdout
    again = "nightbench qualify --link loop --baud '2 Mbaud' --set bus.parity=even"
    assert again in text.stdout
