"""Octets in and out of a non-blocking file descriptor, with exact counts.

A write returns what the system took, no more and no less; nothing is retried here, so
no time-out can swallow a count.
"""

from __future__ import annotations

import os
import select
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_READ = 65_536
"""Octets of one read: more than any driver of a serial port keeps."""


def write_some(fd: int, octets: memoryview) -> int:
    """Hand over what there is room for; how many octets that was."""
    try:
        return os.write(fd, octets)
    except (BlockingIOError, InterruptedError):
        return 0


def read_some(fd: int) -> bytes | None:
    """What has come; None if nothing has.

    Raises:
        EOFError: If nothing will come any more.
    """
    try:
        octets = os.read(fd, MOST_READ)
    except (BlockingIOError, InterruptedError):
        return None
    if not octets:
        raise EOFError("the far end closed")
    return octets


def await_ready(seconds: float, inward: Sequence[int], outward: Sequence[int]) -> None:
    """Until one of them can be read or written without waiting, or time has passed."""
    select.select(inward, outward, (), seconds)
