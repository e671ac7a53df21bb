"""One log, in segments: `intervals.log`, `intervals.0002.log` and so on.

No file grows without bound, and none is ever emptied to make room.  A segment appears
with its first record in it; the one before is synced first and never touched again.
The segments in their order, one after another, are the log.

A line that could not be written whole is taken back, but only as far as the end of our
own last whole line, and only if the file is exactly as long as that line would explain.
A torn line that was there before stays as it is: the next record begins on a new line.

Errors are the system's own (`OSError`); what they mean is the ledger's business.
"""

from __future__ import annotations

import re
from contextlib import suppress
from typing import TYPE_CHECKING

from bench.ledger.files import Files, OpenFile, write_all, write_whole

if TYPE_CHECKING:
    from pathlib import Path


def segment_path(path: Path, number: int) -> Path:
    """Where the segment of a number lies, the first one being number 1."""
    if number == 1:
        return path
    return path.with_name(f"{path.stem}.{number:04d}{path.suffix}")


def segments_of(path: Path) -> list[int]:
    """The numbers of the segments that a log has, ascending.

    Raises:
        OSError: If the folder cannot be read.
    """
    later = re.compile(
        re.escape(path.stem) + r"\.(\d{4,6})" + re.escape(path.suffix), re.ASCII
    )
    names = [entry.name for entry in path.parent.iterdir()]
    numbers = [int(found[1]) for name in names if (found := later.fullmatch(name))]
    return sorted(numbers + [1] * (path.name in names))


class SegmentedLog:
    """A log that is being written.

    Attributes:
        records: Records written to the log, those from before it was opened included.
    """

    def __init__(self, path: Path, files: Files, segment_octets: int) -> None:
        self._path = path
        self._files = files
        self._segment_octets = segment_octets
        self._number = 0
        self._file: OpenFile | None = None
        self._size = 0
        self._before = b""  # what the next line needs in front of it
        self._synced = 0  # records that are known to be on the disk
        self._doubtful = False
        self.records = 0

    @property
    def kept(self) -> int:
        """Records that nothing speaks against: after a failed sync, those before it."""
        return self._synced if self._doubtful else self.records

    @property
    def segment(self) -> Path:
        """The segment that is written to."""
        return segment_path(self._path, max(1, self._number))

    def reopen(self, records: int) -> None:
        """Go on with a log that has so many records, at the end of its last segment."""
        numbers = segments_of(self._path)
        if not numbers:
            return
        self._number = numbers[-1]
        with self.segment.open("rb") as file:
            self._size = file.seek(0, 2)
            file.seek(max(0, self._size - 1))
            self._before = b"" if file.read() in (b"", b"\n") else b"\n"
        self._file = self._files.append(self.segment)
        self.records = self._synced = records

    def append(self, line: bytes) -> None:
        """Append one line; it has left the process when this returns."""
        line_octets = len(self._before) + len(line)
        full = self._size + line_octets > self._segment_octets and self._size
        if self._file is None or full:
            self._begin(line)
        else:
            self._extend(self._file, self._before + line)
        self._before = b""
        self.records += 1

    def sync(self) -> None:
        """Return once every record is on the disk."""
        if self._file is None or self._synced == self.records:
            return
        try:
            self._file.sync()
        except OSError:
            self._doubtful = True
            raise
        self._synced = self.records

    def close(self) -> None:
        """Let go of the open segment, synced or not; it cannot fail."""
        if self._file is not None:
            file, self._file = self._file, None
            with suppress(OSError):  # what is not on the disk, syncing has told
                file.close()

    def _begin(self, line: bytes) -> None:
        """A new segment with this line in it, in place of the open one."""
        self.sync()
        path = segment_path(self._path, self._number + 1)
        write_whole(self._files, path, line)
        self._synced = self.records + 1
        self._number += 1
        file = self._files.append(path)
        self.close()
        self._file, self._size = file, len(line)

    def _extend(self, file: OpenFile, line: bytes) -> None:
        """Another line in the open segment."""
        try:
            write_all(file, line)
        except OSError:
            with suppress(OSError):
                if self._size < file.size() <= self._size + len(line):
                    file.cut(self._size)
            raise
        self._size += len(line)
