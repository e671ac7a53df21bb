"""Listening from Python: what is on a bus that somebody else drives.

    import bench
    from bench.api_listen import listen

    profile = bench.load_profile("causeway")
    result = listen(profile, "/dev/ttyUSB0", duration="10s", record="bus.rec")
    print(result.verdict, result.reason, result.figures["addresses"])

Nothing is ever sent.  As in `bench.api`, only the date and the machine are asked for
here; the recording is the one file that is written outside of the run's folder.
"""

from __future__ import annotations

import os
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from signal import Signals
from typing import TYPE_CHECKING, Any, BinaryIO, Literal

from bench.api import facts_of
from bench.base.clock import SystemClock
from bench.base.errors import (
    ExitCode,
    Fault,
    LedgerError,
    UsageError,
)
from bench.base.units import parse_duration, shown
from bench.ledger import Ledger, LedgerOptions
from bench.ledger.no_verdict import no_verdict_told
from bench.ledger.rigs import known_rig
from bench.profile import to_toml
from bench.report.listen import listen_page
from bench.report.rig import rig_line
from bench.trial.listen.run import Ears
from bench.trial.listen.run import listen as _listen
from bench.trial.plan import Plan
from bench.trial.recorded import RecordedSource, Recorder, Recording, survey

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from bench.base.clock import Clock
    from bench.link.transport import Heard, Transport
    from bench.profile import Profile
    from bench.trial.listen.run import Onlooker, Outcome

__all__ = ["ListenResult", "listen", "open_recording", "played_back"]


_PIECE_OCTETS = 1 << 20
"""Of a recording, read at once."""


@dataclass(frozen=True, slots=True)
class ListenResult:
    """How listening ended.

    Attributes:
        verdict: "PASS", "FAIL" or "VOID".
        reason: One sentence.
        exit_code: That of the verdict; 3 if the link was lost, 5 if the ledger or the
            recording could not be written to its end, 128 + n if signal n ended it.
        signal: The signal that ended it, or None.
        run: The folder of its ledger.
        figures: All counts and measures, as strict JSON.
        facts: What was known beforehand.
    """

    verdict: str
    reason: str
    exit_code: int
    signal: int | None
    run: Path
    figures: dict[str, Any]
    facts: dict[str, Any]

    def as_dict(self) -> dict[str, Any]:
        """The figures with how it ended and its folder, as strict JSON."""
        return {**self.figures, "exit_code": self.exit_code, "run": str(self.run)}


def listen(
    profile: Profile,
    link: str | Transport,
    *,
    duration: str | int | None = None,
    record: str | Path | None = None,
    logs: str | Path = "logs",
    link_options: Any = None,
    dut: Mapping[str, str] | None = None,
    facts: Mapping[str, Any] | None = None,
    on_log_failure: Literal["stop", "continue"] = "stop",
    onlooker: Onlooker | None = None,
    begun: Callable[[Path], object] | None = None,
    stop: Callable[[], int | None] | None = None,
    clock: Clock | None = None,
) -> ListenResult:
    """Listen on a bus, count and judge what is on it, and record it if asked.

    Args:
        profile: The bus and its packets; see `load_profile`.
        link: The name of a link (a port, "pty", a URL), or a transport.
        duration: How long: "10s", or nanoseconds; None: until it is stopped.
        record: A file that is not there yet: every read is kept in it.
        logs: The folder of all runs.
        link_options: Of the link, a `bench.link.ports.PortOptions`.
        dut: What is known of the device under test.
        facts: More for the ledger's `run.json`.
        on_log_failure: Whether a ledger or a recording that cannot be written stops it.
        onlooker: Who is told of progress.
        begun: Told the run's folder.
        stop: Asked often: the number of a signal that came, or None.
        clock: The bench's clock, and that of a transport that is given; the system's
            unless given.

    Raises:
        UsageError: If the arguments cannot be obeyed.
        LinkError: If the link cannot be had; one that is lost is a result.
        LedgerError: If ledger or recording cannot be begun, or stopped the listening.
    """
    limit_ns = _limit_ns(duration)
    clock = clock or SystemClock()
    name = link if isinstance(link, str) else link.name
    known = facts_of(Plan(profile, 0, duration_ns=limit_ns or 0), dut)
    known |= {"seed": None, "duration_ns": limit_ns, "link": name}
    known["qualified"] = known_rig(name, Path(logs))
    known |= {"recording": None if record is None else str(record), **(facts or {})}
    with ExitStack() as held:
        transport = link
        if isinstance(link, str):
            from bench.link.ports import make_transport

            transport = make_transport(link, profile.bus, clock, link_options)
        held.enter_context(closing(transport))  # type: ignore[type-var]
        when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        tape = None
        if record is not None:
            tape = held.enter_context(_Tape(record, profile, when, on_log_failure))
        options = LedgerOptions(on_log_failure)
        text = to_toml(profile)
        ledger = Ledger.create(Path(logs), when, "listen", known, text, options)
        ears = Ears(
            clock,
            ledger,
            onlooker or _Nobody(),
            stop or (lambda: None),
            tape.keep if tape else None,
        )
        if begun is not None:
            begun(ledger.folder)
        kept = _Kept(ledger, tape, known)
        return kept.carried(
            lambda: _listen(transport, profile, limit_ns, ears)  # type: ignore[arg-type]
        )


def _limit_ns(duration: str | int | None) -> int | None:
    if isinstance(duration, str):
        duration = parse_duration(duration, "duration")
    if duration is not None and duration < 1:
        raise UsageError(Fault("no time", shown(duration), "more than 0 s", "duration"))
    return duration


# --- played back ----------------------------------------------------------------------


class _Pieces:
    """A file that is open only while it is read."""

    def __init__(self, path: Path) -> None:
        self._pieces = self._read_on(path)
        self._have = b""

    @staticmethod
    def _read_on(path: Path) -> Iterator[bytes]:
        with path.open("rb") as file:
            while piece := file.read(_PIECE_OCTETS):
                yield piece

    def read(self, octets: int) -> bytes:
        """The next so many octets, fewer at the end.

        Raises:
            UsageError: If the file cannot be read.
        """
        while len(self._have) < octets:
            try:
                piece = next(self._pieces, b"")
            except OSError as error:
                what = (
                    f"cannot read the file ({(error.strerror or str(error)).lower()})"
                )
                raise UsageError(Fault(what, where="--recorded")) from error
            if not piece:
                break
            self._have += piece
        taken, self._have = self._have[:octets], self._have[octets:]
        return taken


def open_recording(name: str | Path) -> Recording:
    """A recording, to be read from its beginning.

    Raises:
        UsageError: If it cannot be read, or is none.
    """
    return Recording(_Pieces(Path(name)).read, str(name))


def played_back(
    profile: Profile, name: str | Path, duration_ns: int | None = None
) -> tuple[RecordedSource, dict[str, Any]]:
    """A recording as a source for `bench.api.stream`, and what it comes to.

    Args:
        profile: The profile, whose line has to be that of the recording.
        name: The file.
        duration_ns: Only what begins within so much time of its own; None: all of it.

    Returns:
        The source; and facts for the ledger: `file`, `profile_digest` (of the profile
        that was listened with), `characters`, `length_ns`, `behind_ns` (by how much at
        most a character comes later than it was heard) and `torn`.

    Raises:
        UsageError: If it cannot be read, is none, or is of another line.
    """
    first = open_recording(name)
    whole = survey(profile, first)
    torn = whole.torn
    facts = {
        "file": str(name),
        "profile_digest": first.header.get("profile_digest"),
        "characters": whole.characters,
        "length_ns": whole.length_ns,
        "behind_ns": whole.behind_ns,
        "torn": None if torn is None else {"offset": torn.offset, "why": torn.why},
    }
    return RecordedSource(profile, open_recording(name), duration_ns), facts


class _Nobody:
    """Looks at nothing."""

    def heard(self, figures: dict[str, Any]) -> None: ...


class _Tape:
    """The file of a recording.

    Attributes:
        failed: Why it stopped; None as long as everything was written.
    """

    def __init__(
        self, name: str | Path, profile: Profile, when: str, on_failure: str
    ) -> None:
        self._name = str(name)
        self._on_failure = on_failure
        self.failed: Fault | None = None
        try:
            self._file: BinaryIO = Path(name).open("xb", buffering=0)  # noqa: SIM115
        except FileExistsError:
            mend = "name another, or move it away"
            fault = Fault("file is there already", self._name, "", "--record", mend)
            raise UsageError(fault) from None
        except (OSError, ValueError) as error:  # ValueError: a NUL in the name
            reason = error.strerror if isinstance(error, OSError) else str(error)
            fault = Fault("recording cannot be begun", str(reason), where=self._name)
            raise LedgerError(fault) from error
        self._recorder = Recorder(self._write, profile, {"when": when})

    def keep(self, heard: Heard, at_ns: int) -> None:
        """Keep one read; see `Recorder`."""
        if self.failed is None:
            self._recorder.keep(heard, at_ns)

    def _write(self, octets: bytes) -> None:
        rest = memoryview(octets)
        try:
            while rest:
                rest = rest[self._file.write(rest) or 0 :]
        except OSError as error:
            reason = error.strerror or str(error)
            self.failed = Fault("recording stopped", reason, where=self._name)
            if self._on_failure == "stop":
                raise LedgerError(self.failed) from error

    def as_dict(self) -> dict[str, Any]:
        """What became of it, as strict JSON."""
        return {
            "file": self._name,
            "characters": self._recorder.characters,
            "failed": None if self.failed is None else str(self.failed),
        }

    def __enter__(self) -> _Tape:
        return self

    def __exit__(self, *error: object) -> None:
        with suppress(OSError):
            os.fsync(self._file.fileno())
        self._file.close()


class _Kept:
    """Listening whose ledger has begun."""

    def __init__(
        self, ledger: Ledger, tape: _Tape | None, facts: dict[str, Any]
    ) -> None:
        self._ledger = ledger
        self._tape = tape
        self._facts = facts

    def carried(self, work: Callable[[], Outcome]) -> ListenResult:
        """Listen, and write down how it ended."""
        with self._ledger:
            with no_verdict_told(self._ledger):
                outcome = work()
            return self._written(outcome)

    def _written(self, outcome: Outcome) -> ListenResult:
        """The result, which is in the ledger if it can be."""
        ledger, result = self._ledger, self._result(outcome)
        with suppress(LedgerError):
            ledger.verdict(result.as_dict())
        result = self._result(outcome)
        with suppress(LedgerError):
            ledger.report(listen_page(result.as_dict(), self._facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return self._result(outcome)

    def _result(self, outcome: Outcome) -> ListenResult:
        said, failed, signal = outcome.said, self._ledger.failed, outcome.signal
        lost = None
        if failed is not None:
            lost = {"failed": str(failed), "unwritten": self._ledger.unwritten}
        exit_code = int(ExitCode[said.verdict])
        if outcome.lost is not None:
            exit_code = int(ExitCode.LINK)
        if failed is not None or (self._tape is not None and self._tape.failed):
            exit_code = int(ExitCode.LEDGER)
        if signal is not None:
            exit_code = 128 + signal
        figures = {
            "verdict": said.verdict,
            "reason": said.reason,
            "failures": list(said.failures),
            "void": list(said.void),
            "notes": list(said.notes),
            **outcome.figures,
            "signal": None if signal is None else Signals(signal).name,
            "link_lost": None if outcome.lost is None else str(outcome.lost.fault),
            "rig": rig_line(self._facts["link"], self._facts["qualified"]),
            "recording": None if self._tape is None else self._tape.as_dict(),
            "ledger": lost,
        }
        return ListenResult(
            said.verdict,
            said.reason,
            exit_code,
            signal,
            self._ledger.folder,
            figures,
            self._facts,
        )
