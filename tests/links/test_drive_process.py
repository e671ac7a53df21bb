"""`nightbench drive` as a process: keys of a terminal, against a served node's pty."""

from __future__ import annotations

import json
import os
import subprocess
import time

import pytest
from links.test_served_process import ended, served
from unit.cli.calls import ROOT, command, environment
from unit.trial.serve.rig import SMALL

from bench.ledger.read import read_run

pytest.importorskip("termios")

SETS = [
    word
    for text in (*SMALL, "observe.by=lines", "traffic.foreign.share=15 %")
    for word in ("--set", text)
]

SOON_S = 60.0


def wait_for(look):
    """What a look gives, once it gives something."""
    end = time.monotonic() + SOON_S
    while time.monotonic() < end:
        if found := look():
            return found
        time.sleep(0.02)
    return pytest.fail("it never came")


def test_keys_turn_what_is_sent_while_it_is_sent(tmp_path):
    """Foreign nodes down to one and up again: all is shown, and each is a mark."""
    path, logs = tmp_path / "bus", tmp_path / "logs"
    far, near = os.openpty()
    with served("--pty", str(path)) as (serving, _):
        words = command("drive", "causeway", *SETS, "--link", str(path), "--seed", "5")
        with subprocess.Popen(
            [*words, "--json", "--logs", str(logs)],
            stdin=near,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            env=environment(),
            cwd=ROOT,
        ) as process:
            os.close(near)
            wait_for(lambda: list(logs.glob("*/run.json")))
            wait_for(lambda: is_unechoed(far))
            asked = ["n", "n", "N", "z", ":mark low tide\n", "5", "q"]
            for number, keys in enumerate(asked):
                os.write(far, keys.encode())
                marks = number + 1 - (number > 3)
                if keys not in ("z", "q"):
                    wait_for(lambda most=marks: count_of(logs) >= most)
            stdout, stderr = process.communicate(timeout=SOON_S)
        said = ended(serving)
    os.close(far)
    result = json.loads(stdout)
    assert process.returncode in (0, 4), result["reason"]  # a late host is no fault
    assert "no such key: z" in stderr
    done = [mark["asked"] for mark in result["marks"]]
    assert done == [
        "set traffic.foreign.addresses=[17, 18, 19]",
        "set traffic.foreign.addresses=[17, 18]",
        "set traffic.foreign.addresses=[17, 18, 19]",
        "mark low tide",
        "bad check",
        "quit",
    ]
    for mark in result["marks"][:3]:
        assert 0 < mark["after_ns"] < 2_000_000_000
    places = [mark["octet"] for mark in result["marks"]]
    assert places == sorted(places)
    assert result["packets"]["offered"] > 0
    assert result["packets"]["shown"] == result["packets"]["offered"]
    # The frame of the safe level comes after what was driven.
    assert said["characters"] >= result["characters"]
    script = (read_run(next(logs.iterdir())).folder / "drive.txt").read_text()
    assert script.splitlines()[-1].endswith("quit")


def is_unechoed(far):
    """Whether keys are read one by one at the other end."""
    import termios

    return not termios.tcgetattr(far)[3] & termios.ICANON


def count_of(logs):
    """Marks in the log so far."""
    (run,) = logs.iterdir()
    return sum("mark" in one for one in read_run(run).intervals.records)
