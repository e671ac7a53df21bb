"""`nightbench soak`: what it says, what it refuses, what a file or a pipe gets."""

from __future__ import annotations

import json
import os
import threading
from pathlib import Path
from typing import Any

import pytest
from unit.cli.calls import call, process

from bench.ledger import read_run

SMALL = [
    "soak",
    "causeway",
    "--set",
    "bus.baud=1 Mbaud",
    "--set",
    "output.devices=1",
    "--set",
    "output.register_bits=16",
    "--set",
    "traffic.frame_rate=10 Hz",
    "--set",
    "accept.skew=1 s",
]

WRONG = [
    (["soak"], "missing argument: PROFILE (only a night that goes on does without: "),
    ([*SMALL, "--until-below", "2"], "no bound: 2, expected a rate and a confidence"),
    ([*SMALL, "--at", "2h"], "nothing that could happen: 2h, expected TIME PATH=VALUE"),
    ([*SMALL, "--schedule", "none.txt"], "no such file or directory: none.txt @ --sch"),
    ([*SMALL, "--interval", "0s"], "no time: 0s, expected more than 0 s @ --interval"),
    ([*SMALL, "--losses", "0"], "out of range: 0, expected a whole number, 1 to "),
    ([*SMALL, "--lead", "1ms"], "nothing to hold on simulated nodes: --lead"),
    ([*SMALL, "--watch", "x"], "no port: x, expected a port, or an address and a port"),
    (["soak", "--resume", "none"], "not the folder of a run, expected run.json in it"),
    ([*SMALL, "--resume", "none"], "nothing to change: PROFILE @ --resume (a night"),
    (["soak", "--resume", "x", "--for", "1s"], "nothing to change: --for @ --resume"),
    (
        [*SMALL, "--link", "loop", "--at", "1s bus.baud=2 Mbaud"],
        "not to be changed on a link: bus.baud, expected a path under traffic",
    ),
]


@pytest.mark.parametrize(("words", "message"), WRONG)
def test_refused(words: list[str], message: str, tmp_path: Path, monkeypatch) -> None:
    """What means nothing is one line, and exit code 2 or that of the ledger."""
    monkeypatch.chdir(tmp_path)
    done = call(*words, "--quiet")
    assert done.exit_code in (2, 5)
    (line,) = [one for one in done.output.splitlines() if "compiling" not in one]
    assert line.startswith(f"nightbench: {message}") or f": {message}" in line
    assert not list(tmp_path.glob("logs/*"))


def night(tmp_path: Path, *words: str) -> Any:
    """A short night, as JSON."""
    logs = str(tmp_path / "logs")
    done = call(*SMALL, "--seed", "3", "--logs", logs, "--json", "--quiet", *words)
    return done, json.loads(done.stdout)


def test_json(tmp_path: Path) -> None:
    """One JSON object: the figures of a stream, and the night."""
    done, said = night(tmp_path, "--for", "10s", "--interval", "2s")
    assert done.exit_code == 0
    assert said["verdict"] == "PASS"
    assert said["soak"]["stopped_by"] == "time"
    assert said["packets"]["offered"] == 400
    stored = read_run(Path(said["run"]))
    assert stored.verdict == said
    command = stored.run["command"]
    assert command[:3] == ["nightbench", "soak", "causeway"]
    assert command[-6:] == ["--for", "10s", "--interval", "2s", "--seed", "3"]


def test_again(tmp_path: Path) -> None:
    """The command that is told does the same again."""
    words = ["--for", "8s", "--at", "3s silence 1s", "--until-below", "1e-9"]
    _, first = night(tmp_path, *words)
    command = read_run(Path(first["run"])).run["command"]
    again = call(*command[1:], "--logs", str(tmp_path / "again"), "--json", "--quiet")
    second = json.loads(again.stdout)
    for key in ("packets", "bursts", "latency_ns", "trial_ns", "seed"):
        assert second[key] == first[key]


def test_time_is_said(tmp_path: Path) -> None:
    """How long a wanted bound takes is said before anything is sent."""
    logs = str(tmp_path)
    done = call(*SMALL, "--until-below", "1e-2", "--logs", logs, "--interval", "1s")
    assert done.exit_code == 0
    said = "loss below 0.01 at 95 % confidence takes 299 packets, none of them lost: "
    assert f"nightbench: {said}7.47 s on the line\n" in done.stderr
    assert "ended           the wanted bound was reached" in done.stdout
    (run,) = tmp_path.iterdir()
    assert done.stderr.endswith(f"nightbench: its page: {run / 'report.html'}\n")
    assert "loss below" in (run / "report.html").read_text("utf-8")


def test_schedule_file(tmp_path: Path) -> None:
    """A schedule is a file of lines, with comments, and a mark at its beginning."""
    path = tmp_path / "night.txt"
    path.write_text("\ufeff# load\n\n3s traffic.frame_rate=5 Hz\n", "utf-8")
    _, said = night(tmp_path, "--for", "6s", "--schedule", str(path))
    (event,) = said["soak"]["told"]
    assert (event["event"], event["text"]) == ("changed", "traffic.frame_rate=5 Hz")


def test_resume(tmp_path: Path) -> None:
    """A night that was broken off goes on by its folder alone."""
    _, first = night(tmp_path, "--for", "20s", "--interval", "1s")
    folder = Path(first["run"])
    for name in ("verdict.json", "report.txt"):
        (folder / name).unlink()
    log = folder / "intervals.log"
    log.write_bytes(log.read_bytes()[: log.stat().st_size // 2])
    done = call("soak", "--resume", str(folder), "--json", "--quiet")
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    assert said["run"] == str(folder)
    assert said["soak"]["missing_ns"] == 10**9
    assert said["trial_ns"] == pytest.approx(20e9, abs=3e8)
    done = call("soak", "--resume", str(folder))
    assert done.exit_code == 5
    assert "run has ended" in done.stderr


LONG = "a" * 60
"""Of a path that is 120 signs long and more."""


@pytest.mark.parametrize("way", ["pipe", "file", "dumb"])
def test_no_terminal(tmp_path: Path, way: str) -> None:
    """Not on a terminal: plain lines, the path whole, the summary once, no escapes.

    Reported in public threads of general-purpose software: a live display that is
    redirected leaves escape codes, cuts what is long, or says nothing at all.
    """
    real = tmp_path / LONG / LONG
    real.mkdir(parents=True)
    here = tmp_path / "there"
    here.symlink_to(real)
    logs = f"there/{LONG}/{LONG}"
    words = [*SMALL, "--for", "20s", "--seed", "1", "--logs", logs]
    kept = tmp_path / "out.txt"
    env = {"TERM": "dumb", "COLUMNS": "0"} if way == "dumb" else {}
    if way == "file":
        with kept.open("wb") as out:
            done = process(*words, cwd=tmp_path, env=env, stdout=out)
        text = kept.read_text()
    else:
        done = process(*words, cwd=tmp_path, env=env)
        text = done.stdout
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in text + done.stderr
    assert "\r" not in text + done.stderr
    assert logs in text
    assert text.count("\nPASS ") == 1
    progress = text[: text.index("\nPASS ")].splitlines()
    assert 1 <= len(progress) <= 6
    assert progress[-1].startswith("100 %")


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_terminal_without_a_size(tmp_path: Path) -> None:
    """A terminal that says it has 0 columns is written for as if it had 80."""
    import pty

    main, side = pty.openpty()
    parts: list[bytes] = []
    reader = threading.Thread(target=read_all, args=(main, parts))
    reader.start()
    done = process(*SMALL, "--for", "3s", "--seed", "1", cwd=tmp_path, stdout=side)
    os.close(side)
    reader.join()
    os.close(main)
    text = b"".join(parts).decode()
    assert done.returncode == 0
    assert "PASS" in text
    assert "soaking" in text
    assert "logs/" in text


def read_all(descriptor: int, parts: list[bytes]) -> None:
    """Read until nobody writes any more."""
    while True:
        try:
            part = os.read(descriptor, 65536)
        except OSError:
            return
        if not part:
            return
        parts.append(part)
