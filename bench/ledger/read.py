"""Reading what a run left behind, whatever state it was left in.

Any prefix of a log is a valid log.  Whole records are recovered wherever they stand;
damaged lines are kept apart with their place and their octets, and a line that ends
without its newline is the torn tail of a writer that was stopped.  Reading changes
nothing, and a ledger of a newer format is not guessed at.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, LedgerError
from bench.ledger.facts import (
    ANOMALIES,
    FORMAT_VERSION,
    INTERVALS,
    PROFILE,
    RUN,
    VERDICT,
    file_digest,
)
from bench.ledger.lines import parsed, record_of
from bench.ledger.segments import segment_path, segments_of

if TYPE_CHECKING:
    from pathlib import Path

    from bench.ledger.lines import Record


@dataclass(frozen=True, slots=True)
class LogRead:
    """What one log holds.

    Places are octets from the start of the log, its segments taken as one.

    Attributes:
        records: The whole records, in their order.
        damaged: Lines whose check does not fit: (place, the octets without newline).
        torn: (place, octets) of a last line that was not finished; None if there is
            none.
        segments: (file name, octets) of each segment.
        missing: Names of segments that should be there and are not.
    """

    records: list[Record] = field(default_factory=list)
    damaged: list[tuple[int, bytes]] = field(default_factory=list)
    torn: tuple[int, int] | None = None
    segments: list[tuple[str, int]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)

    def place(self, offset: int) -> tuple[str, int]:
        """The file in which a place of the log lies, and the place in that file."""
        for name, octets in self.segments:
            if offset < octets:
                return name, offset
            offset -= octets
        raise ValueError(f"no such place in the log: {offset} octets past its end")


@dataclass(frozen=True, slots=True)
class StoredRun:
    """A run's folder, as far as it got.

    Attributes:
        folder: Where it lies.
        run: The content of `run.json`.
        profile_text: The resolved profile; None if it is gone.
        intervals: The interval log.
        anomalies: The anomaly log.
        verdict: The verdict; None if the run did not come to one.
        faults: What is wrong with the folder, torn tails and damaged lines included.
    """

    folder: Path
    run: Record
    profile_text: str | None
    intervals: LogRead
    anomalies: LogRead
    verdict: Record | None
    faults: tuple[Fault, ...]


def read_log(path: Path) -> LogRead:
    """Read one log, all its segments, and touch nothing.

    Args:
        path: The first segment, `intervals.log` for instance.

    Raises:
        LedgerError: If there is no such log, it cannot be read, or `run.json` beside it
            states a newer format.
    """
    version_of(path.parent)
    try:
        log = _read(path)
    except OSError as error:
        raise unreadable(path, error) from error
    if not log.segments:
        raise LedgerError(Fault("no such log", where=str(path)))
    return log


def read_run(folder: Path) -> StoredRun:
    """Read a run's folder: everything that is there, and what is wrong with it.

    Raises:
        LedgerError: If it is not a run's folder, cannot be read, or is of a newer
            format.
    """
    if version_of(folder) is None:
        raise LedgerError(
            Fault("not the folder of a run", expected=f"{RUN} in it", where=str(folder))
        )
    try:
        run = parsed((folder / RUN).read_bytes())
        profile = _octets(folder / PROFILE)
        verdict = _octets(folder / VERDICT)
        intervals, anomalies = (_read(folder / name) for name in (INTERVALS, ANOMALIES))
    except OSError as error:
        raise unreadable(folder, error) from error
    faults = []
    if profile is None:
        faults.append(Fault("resolved profile missing", where=str(folder / PROFILE)))
    elif file_digest(profile) != (run or {}).get("profile_sha256"):
        faults.append(
            Fault("resolved profile was changed", where=str(folder / PROFILE))
        )
    judged = None if verdict is None else parsed(verdict)
    if verdict is not None and judged is None:
        faults.append(Fault("verdict damaged", where=str(folder / VERDICT)))
    for name, log in ((INTERVALS, intervals), (ANOMALIES, anomalies)):
        faults += _faults(folder / name, log)
    text = None if profile is None else profile.decode(errors="replace")
    return StoredRun(
        folder, run or {}, text, intervals, anomalies, judged, tuple(faults)
    )


def version_of(folder: Path) -> int | None:
    """The format that a run's folder is in, None where nothing states it.

    Raises:
        LedgerError: If it is newer than this reader, or stated in no readable way.
    """
    path = folder / RUN
    try:
        octets = _octets(path)
    except OSError as error:
        raise unreadable(path, error) from error
    if octets is None:
        return None
    version: Any = (parsed(octets) or {}).get("ledger")
    if type(version) is not int or version < 1:
        raise LedgerError(Fault("run facts damaged", where=str(path)))
    if version > FORMAT_VERSION:
        raise LedgerError(
            Fault(
                "ledger of a newer format",
                str(version),
                f"at most {FORMAT_VERSION}",
                str(path),
                "nothing was touched; update nightbench to read it",
            )
        )
    return version


def unreadable(path: Path, error: OSError) -> LedgerError:
    """What to raise when the system will not let us read."""
    return LedgerError(
        Fault("ledger cannot be read", error.strerror or str(error), where=str(path))
    )


def _octets(path: Path) -> bytes | None:
    """The content of a file, None if there is none."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def _read(path: Path) -> LogRead:
    """All segments of a log that may not have any yet."""
    log = LogRead()
    numbers = segments_of(path)
    torn = None
    start = 0
    for number in range(1, numbers[-1] + 1 if numbers else 1):
        segment = segment_path(path, number)
        if number not in numbers:
            log.missing.append(segment.name)
            continue
        octets = segment.read_bytes()
        tail = _lines(octets, start, log)
        log.segments.append((segment.name, len(octets)))
        start += len(octets)
        if tail and number < numbers[-1]:
            log.damaged.append((start - len(tail), tail))
        elif tail:
            torn = (start - len(tail), len(tail))
    return LogRead(log.records, log.damaged, torn, log.segments, log.missing)


def _lines(octets: bytes, start: int, log: LogRead) -> bytes:
    """Sort the lines of one segment into a log; returns a tail that is not a record.

    A last line that only lacks its newline is a whole record.
    """
    *lines, tail = octets.split(b"\n")
    place = start
    for line in lines:
        record = record_of(line)
        if record is None:
            log.damaged.append((place, line))
        else:
            log.records.append(record)
        place += len(line) + 1
    record = record_of(tail)
    if record is None:
        return tail
    log.records.append(record)
    return b""


def _faults(path: Path, log: LogRead) -> list[Fault]:
    """What is wrong with one log, each once."""
    faults = [Fault("segment missing", name, where=str(path)) for name in log.missing]
    for offset, octets in log.damaged:
        name, place = log.place(offset)
        where = f"{path.with_name(name)}, octet {place}"
        faults.append(Fault("damaged line", f"{len(octets)} octets", where=where))
    if log.torn:
        name, place = log.place(log.torn[0])
        where = f"{path.with_name(name)}, octet {place}"
        faults.append(Fault("torn last line", f"{log.torn[1]} octets", where=where))
    return faults
