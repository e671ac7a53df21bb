"""The few things that the ledger asks of a file system.

Small on purpose: a test hands in a layer that is full, broken or killed at any one of
these steps.  Everything raises `OSError` as the system gave it; the ledger translates.

`write_whole` is the one way in which a file appears under its name: it is written and
synced under a draft name first, so the name stands for all of it or for nothing.
"""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from pathlib import Path


class OpenFile(Protocol):
    """A file that is open for appending."""

    def write(self, octets: bytes) -> int:
        """Append, and say how many octets went in; fewer than given is allowed."""
        ...

    def size(self) -> int:
        """Octets in the file."""
        ...

    def cut(self, octets: int) -> None:
        """Make the file so long, octets after that forgotten."""
        ...

    def sync(self) -> None:
        """Return once all of it is on the disk, under a name."""
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...


class Files(Protocol):
    """A file system, as far as the ledger needs one."""

    def make_folder(self, path: Path) -> None:
        """Make a folder, in one that is there, that must not be there yet."""
        ...

    def create(self, path: Path) -> OpenFile:
        """An empty file, whether or not one was there."""
        ...

    def append(self, path: Path) -> OpenFile:
        """A file that is there, open at its end."""
        ...

    def rename(self, old: Path, new: Path) -> None:
        """Give a file its name, in place of any that had it, and sync the folder."""
        ...

    def discard(self, path: Path) -> None:
        """Delete a draft."""
        ...


class _DiskFile:
    """A file descriptor; nothing is held back in a buffer of ours."""

    def __init__(self, path: Path, flags: int) -> None:
        flags |= getattr(os, "O_BINARY", 0)
        self._descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | flags, 0o644)

    def write(self, octets: bytes) -> int:
        return os.write(self._descriptor, octets)

    def size(self) -> int:
        return os.fstat(self._descriptor).st_size

    def cut(self, octets: int) -> None:
        os.ftruncate(self._descriptor, octets)

    def sync(self) -> None:
        os.fsync(self._descriptor)
        # Writing to a file whose folder was deleted goes on without an error.
        if os.fstat(self._descriptor).st_nlink == 0:
            raise FileNotFoundError(errno.ENOENT, "the file was deleted")

    def close(self) -> None:
        os.close(self._descriptor)


class Disk:
    """The real file system."""

    def make_folder(self, path: Path) -> None:
        """See `Files`."""
        path.mkdir()
        _sync_folder(path.parent)

    def create(self, path: Path) -> OpenFile:
        """See `Files`."""
        return _DiskFile(path, os.O_CREAT | os.O_TRUNC)

    def append(self, path: Path) -> OpenFile:
        """See `Files`."""
        return _DiskFile(path, 0)

    def rename(self, old: Path, new: Path) -> None:
        """See `Files`."""
        old.replace(new)
        _sync_folder(new.parent)

    def discard(self, path: Path) -> None:
        """See `Files`."""
        path.unlink(missing_ok=True)


DISK = Disk()


def locked(path: Path) -> int | None:
    """Lock a file for this process alone; a number to let go of it by.

    It is let go of with the process, however that ends.  None where the system has no
    such lock.

    Raises:
        BlockingIOError: If another process, or this one, has it.
        OSError: If the file cannot be opened.
    """
    try:
        import fcntl
    except ImportError:  # not a POSIX system
        return None
    descriptor = os.open(path, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(descriptor)
        if error.errno in (errno.EWOULDBLOCK, errno.EAGAIN):
            raise
        return None  # a file system without locks
    return descriptor


def unlocked(lock: int | None) -> None:
    """Let go of a lock."""
    if lock is not None:
        os.close(lock)


def _sync_folder(path: Path) -> None:
    """Return once the names in a folder are on the disk, where a system can say so."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_all(file: OpenFile, octets: bytes) -> None:
    """Append all of it, in as many pieces as the system takes."""
    rest = memoryview(octets)
    while rest:
        rest = rest[file.write(bytes(rest)) :]


def write_whole(files: Files, path: Path, octets: bytes) -> None:
    """Make a file appear under its name with all its octets, or not at all.

    Raises:
        OSError: If it could not; what stood under the name before still does, unless
            only the last step, syncing the folder, failed.
    """
    draft = path.with_name(f".{path.name}.draft")
    try:
        file = files.create(draft)
        try:
            write_all(file, octets)
            file.sync()
        finally:
            file.close()
        files.rename(draft, path)
    except OSError:
        with suppress(OSError):
            files.discard(draft)
        raise
