"""The host as it is: its clocks, what it is busy with, room on a disk, commands.

What a system does not tell is None.  Linux tells all of it.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.base.grid import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable

_LOOK_S = 0.05
"""How often a command that is waited for is looked at."""

_MOST_TEXT = 4096
"""Of what a command wrote so much is kept."""


def wall_ns() -> int:
    """UTC, ns since 1970."""
    return time.time_ns()


def total_ns() -> int | None:
    """A clock that goes on while the host is asleep."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return None if clock is None else time.clock_gettime_ns(clock)


def processor_ns() -> tuple[int | None, int | None]:
    """Time that the processors have worked, and that they have had."""
    fields = _words("/proc/stat", "cpu")
    if len(fields) < 5:
        return None, None
    tick_ns = NS_PER_S // os.sysconf("SC_CLK_TCK")
    counts = [int(word) for word in fields[:8]]
    idle = counts[3] + counts[4]
    return (sum(counts) - idle) * tick_ns, sum(counts) * tick_ns


def memory_free_share() -> float | None:
    """Of the memory, what programs could still have."""
    total, free = (_words("/proc/meminfo", w) for w in ("MemTotal:", "MemAvailable:"))
    if not (total and free and int(total[0])):
        return None
    return int(free[0]) / int(total[0])


def swapped_octets() -> int | None:
    """Moved to or from a swap device."""
    pages = [_words("/proc/vmstat", word) for word in ("pswpin", "pswpout")]
    if not all(pages):
        return None
    return sum(int(words[0]) for words in pages) * os.sysconf("SC_PAGE_SIZE")


def free_octets(folder: Path) -> int | None:
    """Room on the disk of a folder."""
    with suppress(OSError):
        return shutil.disk_usage(folder).free
    return None


def _words(path: str, first: str) -> list[str]:
    """The words after the first one of a line."""
    with suppress(OSError, ValueError):
        for line in Path(path).read_text("ascii", "replace").splitlines():
            word, _, rest = line.partition(" ")
            if word == first:
                return rest.split()
    return []


# --- commands -------------------------------------------------------------------------


def run_command(
    command: str, seconds: float, stop: Callable[[], int | None]
) -> tuple[int | None, str]:
    """Run a command of the user's; its exit code and what it wrote.

    It gets a group of its own, so that nothing of it stays when it is ended, and a
    Ctrl-C is not for it.

    Args:
        command: As a shell takes it.
        seconds: It is ended then,
        stop: or when this is not None any more.

    Returns:
        No code for one that was ended, or could not be run.
    """
    more: dict[str, Any] = {}
    if os.name == "posix":
        more["start_new_session"] = True
    try:
        process = subprocess.Popen(  # noqa: S602 (the words are the user's own)
            command,
            shell=True,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            **more,
        )
    except OSError as error:
        return None, error.strerror or str(error)
    written: list[bytes] = []
    reader = threading.Thread(target=_read, args=(process, written), daemon=True)
    reader.start()
    until = time.monotonic() + seconds
    while process.poll() is None and time.monotonic() < until and stop() is None:
        reader.join(_LOOK_S)
        if not reader.is_alive():
            with suppress(subprocess.TimeoutExpired):
                process.wait(_LOOK_S)
    ended = process.poll() is None
    if ended:
        _end(process)
    reader.join(1)
    text = b"".join(written)[:_MOST_TEXT].decode("utf-8", "replace")
    if ended:
        return None, text or f"ended after {seconds:g} s"
    return process.returncode, text


def _read(process: subprocess.Popen[bytes], written: list[bytes]) -> None:
    """Read all that a command writes, and keep the first of it."""
    assert process.stdout is not None
    kept = 0
    with suppress(OSError, ValueError), process.stdout:
        while part := process.stdout.read1(_MOST_TEXT):  # type: ignore[attr-defined]
            if kept < _MOST_TEXT:
                written.append(part)
            kept += len(part)


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a command with all that it began."""
    with suppress(OSError):
        if os.name == "posix":
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    with suppress(subprocess.TimeoutExpired):
        process.wait(1)
