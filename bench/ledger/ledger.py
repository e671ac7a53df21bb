"""The ledger of one run: what is written, when, and what happens if it cannot be.

    logs/<when>-<what>/
        profile.toml    the resolved profile: written first
        run.json        seed, point, rig, device under test, format
        intervals.log   one record a stretch of the run, in segments
        anomalies.log   what was out of the ordinary, with the packets to replay it
        verdict.json    how it ended; not there: it did not
        report.txt      the same for people

A record has left the process when `interval` or `anomaly` returns, so a killed process
loses none; `sync`, called between intervals, puts them on the disk, so a power cut
loses one interval at most.

The first write that fails stops the logs: what came after a hole would look whole.  It
is one event, kept in `Ledger.failed`.  With `on_failure = "stop"` it is raised there
and then; with "continue" the caller goes on, and what was not written is counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Self

from bench.base.errors import Fault, LedgerError
from bench.ledger.facts import (
    ANOMALIES,
    INTERVALS,
    PROFILE,
    REPORT,
    RUN,
    VERDICT,
    folder_name,
    run_facts,
)
from bench.ledger.files import DISK, Files, locked, unlocked, write_whole
from bench.ledger.lines import line_of, pretty
from bench.ledger.read import read_run, version_of
from bench.ledger.segments import SegmentedLog

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path
    from types import TracebackType

SEGMENT_OCTETS = 4 << 20
"""A segment's size: a night of intervals fits in a few, and any editor opens one."""


@dataclass(frozen=True, slots=True)
class LedgerOptions:
    """How a ledger is kept.

    Attributes:
        on_failure: Whether a write that fails stops the run, or only the logs.
        segment_octets: A log goes on in a new file rather than grow past this.
        files: The file system.
    """

    on_failure: Literal["stop", "continue"] = "stop"
    segment_octets: int = SEGMENT_OCTETS
    files: Files = DISK


_DEFAULT = LedgerOptions()


class Ledger:
    """The ledger of one run; made by `create` or `resume`, used in a `with`.

    Attributes:
        folder: The run's folder.
        failed: Why the logs stopped; None as long as everything was written.
        unwritten: Records that were not written, or are not known to be on the disk.
    """

    def __init__(self, folder: Path, options: LedgerOptions) -> None:
        self.folder = folder
        self.failed: Fault | None = None
        self.unwritten = 0
        self._options = options
        self._intervals, self._anomalies = (
            SegmentedLog(folder / name, options.files, options.segment_octets)
            for name in (INTERVALS, ANOMALIES)
        )
        self._closed = False
        self._lock: int | None = None

    @classmethod
    def create(
        cls,
        root: Path,
        when: str,
        what: str,
        run: Mapping[str, Any],
        profile_text: str,
        options: LedgerOptions = _DEFAULT,
    ) -> Ledger:
        """Begin the ledger of a new run.

        Args:
            root: The folder of all runs; made if need be.
            when: UTC of the start, `20261125T024440Z`: a label, never compared.
            what: What the run is, in a word that suits a folder's name.
            run: `RunFacts`, and any other fact worth keeping.
            profile_text: The resolved profile, as TOML.
            options: How it is kept.

        Raises:
            LedgerError: If the folder or what belongs in it cannot be made, whatever
                `on_failure` says: nothing has been sent yet.
            UsageError: If `when` or `what` does not suit a folder's name.
        """
        wanted = root / folder_name(when, what)
        profile = profile_text.encode()
        octets = pretty(run_facts(when, what, run, profile))
        try:
            root.mkdir(parents=True, exist_ok=True)
            folder = _new_folder(options.files, wanted)
            write_whole(options.files, folder / PROFILE, profile)
            write_whole(options.files, folder / RUN, octets)
            lock = locked(folder / RUN)
        except OSError as error:
            raise LedgerError(_fault("ledger cannot be begun", error, root)) from error
        ledger = cls(folder, options)
        ledger._lock = lock
        return ledger

    @classmethod
    def resume(cls, folder: Path, options: LedgerOptions = _DEFAULT) -> Ledger:
        """Go on with the ledger of a run that did not come to its end.

        Nothing is repaired: a torn line and damaged octets stay where they are, and the
        next record begins on a line of its own.

        Raises:
            LedgerError: If it is not a run's folder, is of a newer format, cannot be
                opened, the run has its verdict, or somebody else writes it.
        """
        version_of(folder)
        lock = _lock_of(folder)
        try:
            ledger = cls._reopened(folder, options)
        except BaseException:
            unlocked(lock)
            raise
        ledger._lock = lock
        return ledger

    @classmethod
    def _reopened(cls, folder: Path, options: LedgerOptions) -> Ledger:
        """The ledger in a folder that nobody else writes to."""
        stored = read_run(folder)
        if (folder / VERDICT).exists():
            raise LedgerError(
                Fault(
                    "run has ended",
                    where=str(folder / VERDICT),
                    mend="begin a new run",
                )
            )
        ledger = cls(folder, options)
        try:
            ledger._intervals.reopen(len(stored.intervals.records))
            ledger._anomalies.reopen(len(stored.anomalies.records))
        except OSError as error:
            ledger._let_go()
            raise LedgerError(
                _fault("ledger cannot be resumed", error, folder)
            ) from error
        return ledger

    def interval(self, record: Mapping[str, Any]) -> None:
        """Append a record to the interval log.

        Raises:
            LedgerError: If it is the first that cannot be written and `on_failure` is
                "stop".
            TypeError, ValueError: If it is not a JSON object (NaN is none).
        """
        self._append(self._intervals, record)

    def anomaly(self, record: Mapping[str, Any]) -> None:
        """Append a record to the anomaly log; raises as `interval` does."""
        self._append(self._anomalies, record)

    def sync(self) -> None:
        """Return once every record is on the disk; raises as `interval` does.

        It costs a millisecond or more: call it between intervals, not after each
        record.
        """
        for log in (self._anomalies, self._intervals):
            try:
                log.sync()
            except OSError as error:
                self._stop(log, error)

    def verdict(self, verdict: Mapping[str, Any]) -> None:
        """Write how the run ended, after everything else is on the disk.

        If the logs stopped, the verdict says so under `ledger`.

        Raises:
            LedgerError: If that is the first write that fails and `on_failure` is
                "stop".
            ValueError: If there is a verdict already.
        """
        if (self.folder / VERDICT).exists():
            raise ValueError("a run has one verdict")
        self.sync()
        content = dict(verdict)
        if self.failed is not None:
            content["ledger"] = {
                "failed": str(self.failed),
                "unwritten": self.unwritten,
            }
        self._write(VERDICT, pretty(content))

    def report(self, text: str) -> None:
        """Write the report for people, again if need be; raises as `verdict` does."""
        self._write(REPORT, text.encode())

    def attach(self, name: str, octets: bytes) -> None:
        """Write another file of the run whole, a table; raises as `verdict` does."""
        self._write(name, octets)

    def close(self) -> None:
        """Sync and let go; raises as `sync` does, and may be repeated."""
        if self._closed:
            return
        self._closed = True
        try:
            self.sync()
        finally:
            self._let_go()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self.close()
        except LedgerError:
            if error is None:  # else it would hide why the run really stopped
                raise

    def _append(self, log: SegmentedLog, record: Mapping[str, Any]) -> None:
        if self._closed:
            raise ValueError("the ledger is closed")
        line = line_of(record)
        if self.failed is not None:
            self.unwritten += 1
            return
        try:
            log.append(line)
        except OSError as error:
            self.unwritten += 1
            self._stop(log, error)

    def _write(self, name: str, octets: bytes) -> None:
        """Write a file whole, even if the logs stopped: there may be room again."""
        path = self.folder / name
        try:
            write_whole(self._options.files, path, octets)
        except OSError as error:
            self._fail(_fault(f"{name} not written", error, path), error)

    def _stop(self, log: SegmentedLog, error: OSError) -> None:
        """A log that could not be written or synced."""
        if self.failed is None:
            self.unwritten += log.records - log.kept
        what = f"log stopped at record {log.kept + 1}"
        self._fail(_fault(what, error, log.segment), error)

    def _fail(self, fault: Fault, error: OSError) -> None:
        """The first failure is the one event; what fails after it is no news."""
        if self.failed is not None:
            return
        self.failed = fault
        if self._options.on_failure == "stop":
            raise LedgerError(fault) from error

    def _let_go(self) -> None:
        for log in (self._anomalies, self._intervals):
            log.close()
        lock, self._lock = self._lock, None
        unlocked(lock)


def _lock_of(folder: Path) -> int | None:
    """The lock of a run's folder; nothing where there is no run."""
    path = folder / RUN
    try:
        return locked(path)
    except BlockingIOError as error:
        mend = "wait for it, or stop it"
        fault = Fault("another bench writes this ledger", where=str(path), mend=mend)
        raise LedgerError(fault) from error
    except OSError:
        return None  # who reads it will say why


def _new_folder(files: Files, wanted: Path) -> Path:
    """The wanted folder, or the first of `-2`, `-3` … that no other run has."""
    folder, number = wanted, 1
    while True:
        try:
            files.make_folder(folder)
        except FileExistsError:
            number += 1
            folder = wanted.with_name(f"{wanted.name}-{number}")
        else:
            return folder


def _fault(what: str, error: OSError, where: Path) -> Fault:
    return Fault(what, error.strerror or str(error), where=str(where))
