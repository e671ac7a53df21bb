"""Qualifying a rig from Python: host, driver and adapter, without a node.

from bench.api_qualify import known_rig, qualify

result = qualify("/dev/ttyUSB0", baud="4 Mbaud")
print(result.verdict, result.says, known_rig("/dev/ttyUSB0"))
"""

from __future__ import annotations

from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from signal import Signals
from typing import TYPE_CHECKING, Any, Literal

from bench.api import facts_of
from bench.base.clock import SystemClock
from bench.base.errors import ExitCode, LedgerError
from bench.ledger import Ledger, LedgerOptions
from bench.ledger.no_verdict import no_verdict_told
from bench.ledger.rigs import keep_rig
from bench.ledger.rigs import known_rig as _known
from bench.profile import to_toml
from bench.report.qualify import qualify_page
from bench.trial.bare import bare_profile
from bench.trial.plan import Plan
from bench.trial.qualify.run import Rig
from bench.trial.qualify.run import qualify as _qualify

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from bench.base.clock import Clock
    from bench.link.transport import Transport
    from bench.trial.qualify.run import Outcome

__all__ = ["QualifyResult", "known_rig", "qualify"]

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
        known |= {"ear": None if ear is None else rig.ear.name, **(facts or {})}
        when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        options = LedgerOptions(on_log_failure)
        text = to_toml(profile)
        ledger = Ledger.create(Path(logs), when, "qualify", known, text, options)
        if begun is not None:
            begun(ledger.folder)
        kept = _Kept(ledger, known, when, Path(logs))
        never = stop or (lambda: None)
        return kept.carried(
            lambda: _qualify(rig, clock, never, step or (lambda _: None))
        )


class _Kept:
    """A qualification whose ledger has begun."""

    def __init__(
        self, ledger: Ledger, facts: dict[str, Any], when: str, logs: Path
    ) -> None:
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
        rig = None
        if outcome.verdict == "PASS" and outcome.signal is None:
            record = _record(outcome) | {"when": self._when, "run": ledger.folder.name}
            with suppress(LedgerError):
                rig = str(keep_rig(self._logs, self._facts["link"], record))
        result = self._result(outcome, rig)
        with suppress(LedgerError):
            ledger.report(qualify_page(result.as_dict(), self._facts).plain())
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


def _record(outcome: Outcome) -> dict[str, Any]:
    """What later verdicts quote."""
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
