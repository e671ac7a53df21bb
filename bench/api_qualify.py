"""Qualifying a rig from Python: host, driver and adapter, without a node.

from bench.api_qualify import known_rig, qualify

result = qualify("/dev/ttyUSB0", baud="4 Mbaud")
print(result.verdict, result.says, known_rig("/dev/ttyUSB0"))

Or afterwards from a capture of the bus, alone or held against a run over that rig:

result = qualify_capture("bus.vcd", run="logs/20251104T061500Z-stream")
print(result.figures["pacing"])
"""

from __future__ import annotations

from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from signal import Signals
from typing import TYPE_CHECKING, Any, Literal

from bench.api import facts_of, load_profile
from bench.base.clock import SystemClock
from bench.base.errors import ExitCode, Fault, LedgerError, UsageError
from bench.capture.line import read_line
from bench.capture.vcd import VcdFile
from bench.ledger import Ledger, LedgerOptions, read_run
from bench.ledger.no_verdict import no_verdict_told
from bench.ledger.rigs import keep_rig
from bench.ledger.rigs import known_rig as _known
from bench.profile import to_toml
from bench.report.qualify import capture_page, qualify_page
from bench.trial.bare import bare_profile
from bench.trial.plan import Plan
from bench.trial.qualify.captured import (
    capture_figures,
    captured_says,
    captured_verdict,
    held_by,
)
from bench.trial.qualify.run import Outcome, Rig
from bench.trial.qualify.run import qualify as _qualify
from bench.trial.slices import Upto
from bench.trial.source import source_of
from bench.wire.waveform import characters_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from bench.base.clock import Clock
    from bench.ledger.read import StoredRun
    from bench.link.transport import Transport
    from bench.profile import Profile
    from bench.report.page import Page

__all__ = ["QualifyResult", "known_rig", "qualify", "qualify_capture"]

BAUD = "1 Mbaud"
"""Where nothing is said."""


@dataclass(frozen=True, slots=True)
class QualifyResult:
    """How a qualification ended.

    Attributes:
        verdict: "PASS", "FAIL" or "VOID".
        reason: One sentence.
        says: What this rig can and cannot resolve, a sentence each.
        exit_code: That of the verdict; 3 if the link was lost, 5 if the ledger could
            not be written, 128 + n if signal n ended it.
        signal: The signal that ended it, or None.
        run: The folder of its ledger.
        figures: All measures, as strict JSON.
        facts: What was known beforehand.
    """

    verdict: str
    reason: str
    says: tuple[str, ...]
    exit_code: int
    signal: int | None
    run: Path
    figures: dict[str, Any]
    facts: dict[str, Any]

    def as_dict(self) -> dict[str, Any]:
        """The figures with how it ended and its folder, as strict JSON."""
        return {**self.figures, "exit_code": self.exit_code, "run": str(self.run)}


def known_rig(link_name: str, logs: str | Path = "logs") -> dict[str, Any] | None:
    """What the latest qualification said of the rig at a link; None: there was none."""
    return _known(link_name, Path(logs))


def qualify(
    link: str | Transport,
    *,
    baud: str = BAUD,
    overrides: Sequence[str] = (),
    ear: str | Transport | None = None,
    logs: str | Path = "logs",
    link_options: Any = None,
    facts: Mapping[str, Any] | None = None,
    on_log_failure: Literal["stop", "continue"] = "stop",
    step: Callable[[str], object] | None = None,
    begun: Callable[[Path], object] | None = None,
    stop: Callable[[], int | None] | None = None,
    clock: Clock | None = None,
) -> QualifyResult:
    """Measure the rig at a link, without nodes, and keep what is known of it.

    Args:
        link: The name of a link whose octets come back, or a transport.
        baud: Of the line.
        overrides: Other values of `[bus]`, "bus.parity=even".
        ear: A second link that hears the line; the link itself unless given.
        logs: The folder of all runs.
        link_options: Of the links, a `bench.link.ports.PortOptions`.
        facts: More for the ledger's `run.json`.
        on_log_failure: Whether a ledger that cannot be written stops it.
        step: Told what is measured next.
        begun: Told the run's folder.
        stop: Asked often: the number of a signal that came, or None.
        clock: The bench's clock, and that of a transport that is given; the system's
            unless given.

    Raises:
        UsageError, ProfileError: If the arguments cannot be obeyed.
        LinkError: If the link cannot be had, or the line is not quiet.
        LedgerError: If the ledger cannot be begun.
    """
    profile = bare_profile([f"bus.baud={baud}", *overrides])
    clock = clock or SystemClock()
    with ExitStack() as held:

        def opened(one: str | Transport) -> Transport:
            if isinstance(one, str):
                from bench.link.ports import make_transport

                one = make_transport(one, profile.bus, clock, link_options)
            return held.enter_context(closing(one))

        out = opened(link)
        rig = Rig(out, out if ear is None else opened(ear), profile.bus)
        known = facts_of(Plan(profile, 0, duration_ns=0), None)
        known |= {"seed": None, "duration_ns": None, "link": out.name}
        known["wanted_baud"] = profile.bus.baud
        known |= {"ear": None if ear is None else rig.ear.name, **(facts or {})}
        when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        options = LedgerOptions(on_log_failure)
        text = to_toml(profile)
        ledger = Ledger.create(Path(logs), when, "qualify", known, text, options)
        if begun is not None:
            begun(ledger.folder)
        kept = _Kept(ledger, known, when, Path(logs), _record, qualify_page)
        never = stop or (lambda: None)
        return kept.carried(
            lambda: _qualify(rig, clock, never, step or (lambda _: None))
        )


# --- from a capture -------------------------------------------------------------------

_PIECE_OCTETS = 1 << 20
"""Of a capture, read at once."""

_NOT_AGAIN = ("--odd", "--play", "--recorded")
"""Options of a stream whose line cannot be made again from its folder alone."""


def qualify_capture(
    file: str | Path,
    *,
    signal: str | None = None,
    baud: str = BAUD,
    overrides: Sequence[str] = (),
    run: str | Path | None = None,
    link_name: str | None = None,
    logs: str | Path = "logs",
    facts: Mapping[str, Any] | None = None,
    begun: Callable[[Path], object] | None = None,
) -> QualifyResult:
    """Judge a rig by a capture of its bus: real baud, pitch of characters, rests.

    Args:
        file: A value change dump (IEEE 1364) of the line, which idles at 1.
        signal: Which wire of it: its path, or an end of it; the only one unless given.
        baud: Of the line, about.
        overrides: Other values of `[bus]`.
        run: The folder of a stream that the capture shows; baud and `[bus]` are its
            own then, and `figures["pacing"]` says how well its spacing was held.
        link_name: Whose rig it is: what is found is kept by this name; that of the run
            unless given.
        logs: The folder of all runs.
        facts: More for the ledger's `run.json`.
        begun: Told the run's folder.

    Raises:
        UsageError, ProfileError: If the arguments cannot be obeyed, or it is no dump.
        LedgerError: If the ledger cannot be begun, or the run's folder cannot be read.
    """
    stored = None if run is None else read_run(Path(run))
    if stored is None:
        profile = bare_profile([f"bus.baud={baud}", *overrides])
    else:
        _refuse_run(stored)
        profile = load_profile(stored.folder / "profile.toml")
        link_name = link_name or stored.run["link"]
    # Read before the ledger begins: what is no capture leaves no run behind.
    outcome = _by_capture(Path(file), signal, profile, stored)
    known = facts_of(Plan(profile, 0, duration_ns=0), None)
    known |= {"seed": None, "duration_ns": None, "link": link_name, "ear": None}
    known |= {"wanted_baud": profile.bus.baud, "capture": str(file)}
    known |= {"of_run": None if run is None else str(run), **(facts or {})}
    when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    text = to_toml(profile)
    ledger = Ledger.create(
        Path(logs), when, "qualify", known, text, LedgerOptions("stop")
    )
    if begun is not None:
        begun(ledger.folder)
    kept = _Kept(ledger, known, when, Path(logs), _captured_record, capture_page)
    return kept.carried(lambda: outcome)


def _refuse_run(stored: StoredRun) -> None:
    """Refuse a run of which no capture can be judged.

    Raises:
        UsageError: Saying why.
    """
    run, verdict = stored.run, stored.verdict or {}
    where = str(stored.folder)
    again = [word for word in run.get("command") or () if word in _NOT_AGAIN]
    if run.get("qualified", ...) is ... or "link" not in verdict:
        fault = Fault("not a stream over a live link", where=where)
        raise UsageError(fault)
    if again:
        what = "what this run put on the line cannot be made again"
        raise UsageError(Fault(what, again[0], "a stream without", where))


def _by_capture(
    file: Path, signal: str | None, profile: Profile, stored: StoredRun | None
) -> Outcome:
    """What a capture shows."""
    dump = VcdFile(_pieces(file), str(file))
    wire = dump.find(signal)
    captured = read_line(dump.changes(wire), characters_of(profile.bus))
    shown = capture_figures(captured)
    figures: dict[str, Any] = {"signal_path": wire.path, "went_back": dump.went_back}
    figures |= {"shown": shown, "pacing": None}
    held = None
    if stored is not None:
        run, verdict = stored.run, stored.verdict or {}
        limits = run["packets"], run["duration_ns"]
        plan = Plan(profile, verdict["seed"], *limits, {}, None, run["line"])
        accepted = verdict["link"]["counts"]["accepted"]
        pitch = profile.bus.pitch
        held = held_by(captured, Upto(source_of(plan), accepted, pitch), pitch)
        figures["pacing"] = {"grade": held.grade, "why": held.why, **held.figures}
    word, reason = captured_verdict(shown, held)
    says = tuple(captured_says(shown, profile.bus.baud))
    return Outcome(word, reason, figures, says, None, None)


def _pieces(file: Path) -> Iterator[bytes]:
    """A file in pieces.

    Raises:
        UsageError: If it cannot be read.
    """
    try:
        with file.open("rb") as octets:
            while piece := octets.read(_PIECE_OCTETS):
                yield piece
    except OSError as error:
        what = f"cannot read the file ({(error.strerror or str(error)).lower()})"
        raise UsageError(Fault(what, str(file), where="--capture")) from error


def _captured_record(outcome: Outcome, before: Mapping[str, Any]) -> dict[str, Any]:
    """What later verdicts quote: what the capture tells, and else what was known."""
    shown = outcome.figures["shown"]
    return {
        **before,
        "says": list(outcome.says),
        "capture": True,
        "baud": shown["baud"],
        "idle_share": shown["idle_share"],
        "uncertainty": 0.0,
        "pitch_ns": shown["pitch_ns"],
        "chunks": shown["chunks"],
    }


# --- kept -----------------------------------------------------------------------------


class _Kept:
    """A qualification whose ledger has begun."""

    def __init__(
        self,
        ledger: Ledger,
        facts: dict[str, Any],
        when: str,
        logs: Path,
        record: Callable[[Outcome, Mapping[str, Any]], dict[str, Any]],
        page: Callable[[Mapping[str, Any], Mapping[str, Any]], Page],
    ) -> None:
        self._record = record
        self._page = page
        self._ledger = ledger
        self._facts = facts
        self._when = when
        self._logs = logs

    def carried(self, work: Callable[[], Outcome]) -> QualifyResult:
        """Measure, and write down what came out."""
        with self._ledger:
            with no_verdict_told(self._ledger):
                outcome = work()
            return self._written(outcome)

    def _written(self, outcome: Outcome) -> QualifyResult:
        ledger, result = self._ledger, self._result(outcome)
        with suppress(LedgerError):
            ledger.verdict(result.as_dict())
        rig, name = None, self._facts["link"]
        if name and outcome.verdict == "PASS" and outcome.signal is None:
            record = self._record(outcome, _known(name, self._logs) or {})
            record |= {"when": self._when, "run": ledger.folder.name}
            record["wanted_baud"] = self._facts["wanted_baud"]
            with suppress(LedgerError):
                rig = str(keep_rig(self._logs, name, record))
        result = self._result(outcome, rig)
        with suppress(LedgerError):
            ledger.report(self._page(result.as_dict(), self._facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return self._result(outcome, rig)

    def _result(self, outcome: Outcome, rig: str | None = None) -> QualifyResult:
        failed, signal = self._ledger.failed, outcome.signal
        lost = None
        exit_code = int(ExitCode[outcome.verdict])
        if outcome.lost is not None:
            exit_code = int(ExitCode.LINK)
        if failed is not None:
            exit_code = int(ExitCode.LEDGER)
            lost = {"failed": str(failed), "unwritten": self._ledger.unwritten}
        if signal is not None:
            exit_code = 128 + signal
        figures = {
            "verdict": outcome.verdict,
            "reason": outcome.reason,
            "says": list(outcome.says),
            **outcome.figures,
            "signal": None if signal is None else Signals(signal).name,
            "link_lost": None if outcome.lost is None else str(outcome.lost.fault),
            "rig": rig,
            "ledger": lost,
        }
        return QualifyResult(
            outcome.verdict,
            outcome.reason,
            outcome.says,
            exit_code,
            signal,
            self._ledger.folder,
            figures,
            self._facts,
        )


def _record(outcome: Outcome, before: Mapping[str, Any]) -> dict[str, Any]:
    """What later verdicts quote; nothing of what was known before."""
    del before
    figures = outcome.figures
    trips, flow, calls = (
        figures[word] or {} for word in ("round_trips", "flow", "write_calls")
    )
    return {
        "says": list(outcome.says),
        "baud": figures.get("baud"),
        "round_trip_ns": trips.get("ns"),
        "beat": trips.get("beat"),
        "octets_per_s": flow.get("octets_per_s"),
        "idle_share": flow.get("idle_share"),
        "uncertainty": flow.get("uncertainty"),
        "ahead_octets": flow.get("ahead"),
        "late_ns": calls.get("late_ns"),
        "spacing_kept": calls.get("kept"),
        "facts": figures["told"]["facts"],
    }
