"""A file layer that fails, or is killed, at one step of its work.

Every call is a step, counted from 1.  From the step `at` on, each one is handed to
`strike`, which raises or does not return; before that, a write lets `part` of its
octets through, and any other step is done in full if `part` is not zero.  Nothing is
really synced: a killed process does not take the system's memory with it.
"""

from __future__ import annotations

import errno
import os
import signal
from typing import TYPE_CHECKING, NoReturn

from bench.ledger.files import DISK, OpenFile

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def full() -> NoReturn:
    """The disk is full."""
    raise OSError(errno.ENOSPC, "No space left on device")


def broken() -> NoReturn:
    """The disk is broken."""
    raise OSError(errno.EIO, "Input/output error")


def killed() -> None:
    """The process is killed."""
    os.kill(os.getpid(), signal.SIGKILL)


class Faulty:
    """The disk, until a certain step."""

    def __init__(
        self, at: int, part: int, strike: Callable[[], None], lasts: bool = True
    ) -> None:
        self.at, self.part, self.strike, self.lasts = at, part, strike, lasts
        self.steps = 0

    def step(self) -> bool:
        """Count a step; whether it is one to strike at."""
        self.steps += 1
        return self.steps == self.at or (self.lasts and self.steps > self.at)

    def make_folder(self, path: Path) -> None:
        """See `Files`."""
        self.do(path.mkdir)

    def create(self, path: Path) -> OpenFile:
        """See `Files`."""
        if self.step():
            self.strike()
        return FaultyFile(self, DISK.create(path))

    def append(self, path: Path) -> OpenFile:
        """See `Files`."""
        if self.step():
            self.strike()
        return FaultyFile(self, DISK.append(path))

    def rename(self, old: Path, new: Path) -> None:
        """See `Files`."""
        self.do(lambda: old.replace(new))

    def discard(self, path: Path) -> None:
        """See `Files`."""
        self.do(lambda: DISK.discard(path))

    def do(self, work: Callable[[], object]) -> None:
        """A step that is either done before the strike or not."""
        struck = self.step()
        if not struck or self.part:
            work()
        if struck:
            self.strike()


class FaultyFile:
    """A file of such a disk."""

    def __init__(self, disk: Faulty, file: OpenFile) -> None:
        self.disk, self.file = disk, file

    def write(self, octets: bytes) -> int:
        """See `OpenFile`."""
        if self.disk.step():
            self.file.write(octets[: self.disk.part])
            self.disk.strike()
        return self.file.write(octets)

    def size(self) -> int:
        """See `OpenFile`."""
        return self.file.size()

    def cut(self, octets: int) -> None:
        """See `OpenFile`."""
        self.disk.do(lambda: self.file.cut(octets))

    def sync(self) -> None:
        """See `OpenFile`."""
        self.disk.do(lambda: None)

    def close(self) -> None:
        """See `OpenFile`."""
        self.file.close()


class FullFromRoll(Faulty):
    """A disk on which every write fails from a certain new segment on."""

    def __init__(self, roll: int) -> None:
        super().__init__(0, 0, full)
        self.roll, self.segments = roll, 0

    def step(self) -> bool:
        """Whether the disk is full."""
        return self.segments > self.roll

    def create(self, path: Path) -> OpenFile:
        """See `Files`."""
        self.segments += path.name.startswith(".intervals")
        return FaultyFile(self, DISK.create(path))

    def append(self, path: Path) -> OpenFile:
        """See `Files`."""
        return FaultyFile(self, DISK.append(path))

    def do(self, work: Callable[[], object]) -> None:
        """Only writing needs room."""
        work()
