"""The host as it is: its clocks, its load, and commands that are run on it."""

from __future__ import annotations

import os
import sys
import time
from typing import TYPE_CHECKING

import pytest

from bench.link import host
from bench.trial.soak.system import Shell, ThisHost

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a POSIX shell")


def never() -> None:
    """No signal came."""


def test_clocks() -> None:
    """The wall clock is UTC; the other one goes on, where there is one."""
    assert abs(host.wall_ns() - time.time_ns()) < 10**9
    first, second = host.total_ns(), host.total_ns()
    if first is not None:
        assert second is not None
        assert second >= first


@pytest.mark.skipif(sys.platform != "linux", reason="of what Linux tells")
def test_load(tmp_path: Path) -> None:
    """What Linux tells: processors, memory, swap, and room on a disk."""
    load = ThisHost().load()
    assert load.busy_ns is not None
    assert load.processor_ns is not None
    assert 0 < load.busy_ns < load.processor_ns
    assert load.memory_free_share is not None
    assert 0 < load.memory_free_share < 1
    assert load.swapped_octets is not None
    assert load.swapped_octets >= 0
    free = host.free_octets(tmp_path)
    assert free is not None
    assert free > 0


def test_what_is_not_told(tmp_path: Path) -> None:
    """What a system does not tell is not observable, and no zero."""
    assert host.free_octets(tmp_path / "none") is None


@pytest.mark.parametrize(
    ("command", "code", "text"),
    [
        ("echo a=1; echo b >&2", 0, "a=1\nb\n"),
        ("exit 7", 7, ""),
        ("kill -9 $$", -9, ""),
        ("no-such-command-at-all 2>/dev/null", 127, ""),
        ("printf '\\377'", 0, "\N{REPLACEMENT CHARACTER}"),
        ("cat", 0, ""),
    ],
)
def test_command(command: str, code: int, text: str) -> None:
    """What a command wrote, whatever it was, and its exit code; nobody types to it."""
    assert host.run_command(command, 20, never) == (code, text)


def test_command_that_writes_a_lot() -> None:
    """A command that writes without end is read, and only the first of it kept."""
    code, text = host.run_command("head -c 3000000 /dev/zero | tr '\\0' x", 20, never)
    assert code == 0
    assert text == "x" * 4096


def test_command_that_does_not_end() -> None:
    """A command is ended in time, with everything that it began."""
    began = time.monotonic()
    code, text = host.run_command("echo on; sleep 60 & sleep 60", 0.3, never)
    assert time.monotonic() - began < 5
    assert (code, text) == (None, "on\n")
    began = time.monotonic()
    assert host.run_command("sleep 60", 60, lambda: 15)[0] is None
    assert time.monotonic() - began < 5


def test_reading_is_not_waited_for() -> None:
    """A reading goes on beside; a second one is not begun meanwhile."""
    shell = Shell()
    assert shell.ended() is None
    shell.begin("sleep 0.2; echo t=1", 20)
    shell.begin("echo t=2", 20)
    assert shell.ended() is None
    until = time.monotonic() + 20
    while (said := shell.ended()) is None:
        assert time.monotonic() < until
        time.sleep(0.02)
    assert (said.code, said.text) == (0, "t=1\n")
    assert shell.ended() is None
