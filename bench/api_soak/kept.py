"""A night whose ledger has begun: carried out, shown, and written down."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from signal import Signals
from typing import TYPE_CHECKING, Any

from bench.api import StreamResult
from bench.base.errors import ExitCode, LedgerError
from bench.base.grid import NS_PER_S
from bench.base.units import format_ns
from bench.ledger.no_verdict import no_verdict_told
from bench.report.rig import rig_line
from bench.report.summary import summary
from bench.trial.bare import OpenEnd
from bench.trial.plan import Plan
from bench.trial.rehearsal import rehearse
from bench.trial.runner import Progress
from bench.trial.soak.asked import Ways
from bench.trial.soak.records import Book
from bench.trial.soak.rests import Around
from bench.trial.soak.run import Soak
from bench.trial.soak.told import snapshot, soak_figures, verdict_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bench.base.clock import Clock
    from bench.ledger import Ledger, LedgerOptions
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.runner import Watcher
    from bench.trial.soak.asked import Before, Commands, Request
    from bench.trial.soak.host import System
    from bench.trial.soak.sums import Sums

_OCTETS = ("expected", "seen", "before")
"""Parts of an anomaly that are kept in its log alone: up to some 40 kB."""


class SoakResult(StreamResult):
    """How a night ended; as for a stream, and `figures["soak"]` says more."""


@dataclass(frozen=True, slots=True)
class Help:
    """Everything that a night works with and that says nothing of it."""

    make_link: Callable[[], Link] | None
    link_name: str
    allowed: tuple[str, ...]
    away_ns: int | None
    watcher: Watcher | None
    stop: Callable[[], int | None]
    paused: Callable[[], bool]
    clock: Clock
    system: System
    commands: Commands
    options: LedgerOptions


def plan_of(request: Request, profile: Profile | None = None) -> Plan:
    """A plan like those of its stretches."""
    limit_ns = request.duration_ns
    if limit_ns is None and request.packets is None:
        limit_ns = 60 * NS_PER_S
    return Plan(profile or request.profile, request.seed, request.packets, limit_ns)


# --- carried out ----------------------------------------------------------------------


class _Nobody:
    """Looks at nothing."""

    def begun(self, folder: Path) -> None: ...
    def progress(self, progress: Progress) -> None: ...


class Kept:
    """A night whose ledger has begun."""

    def __init__(
        self,
        request: Request,
        help_: Help,
        ledger: Ledger,
        facts: dict[str, Any],
        before: Before,
        sums: Sums,
    ) -> None:
        self._request, self._help, self._ledger = request, help_, ledger
        self._facts, self._before = facts, before
        self._watcher: Watcher = help_.watcher or _Nobody()
        self._missing_ns = before.missing_ns
        self._began_ns = help_.clock.now_ns()
        confidence = request.profile.accept.confidence
        self._book = Book(ledger, help_.system, sums, confidence, self._look)
        self._book.events, self._book.first = before.events, before.first
        ways = Ways(self._make_link, help_.make_link is not None, help_.away_ns)
        around = Around(
            help_.clock,
            help_.system,
            help_.commands,
            help_.stop,
            help_.paused,
            self._shows,
            self._stands,
        )
        self._soak = Soak(request, ways, self._book, around, before)

    def _look(self) -> None:
        self._soak.look()

    def broken_off(self, damaged: int) -> None:
        """Tell that the night goes on, and what is missing of it."""
        before = self._before
        missing_ns = self._request.interval_ns if before.under_way else 0
        text = f"the bench ended without a word, {format_ns(before.base_ns, 3)} on "
        text += "the line are written; nothing is missing"
        if missing_ns:
            text = text.replace("nothing is", "what was sent after that is")
            text += f", about {format_ns(missing_ns, 3)} at most"
        if before.at is not None:
            text += f"; the last record is of {before.at}"
        if damaged:
            text += f"; {damaged} damaged lines are left out"
        self._missing_ns += missing_ns
        self._book.event(
            "crashed", text, missing_ns=missing_ns, last_at=before.at, damaged=damaged
        )

    def carried(self) -> SoakResult:
        """Let the night pass, and write down how it ended."""
        ledger = self._ledger
        with ledger:
            self._watcher.begun(ledger.folder)
            with no_verdict_told(ledger):
                self._performed()
            return self._written()

    def _performed(self) -> None:
        """Rehearse, then let the night pass."""
        make_link = OpenEnd if self._help.make_link else self._simulated
        if rehearse(plan_of(self._request), make_link, self._help.stop):
            self._soak.perform()
        else:
            self._soak.stopped_by = "signal"

    def _make_link(self, profile: Profile, seed: int) -> Link:
        """A link for a stretch."""
        if self._help.make_link is not None:
            return self._help.make_link()
        from bench.node.link import SimulatedLink

        return SimulatedLink(profile, seed=seed)

    def _simulated(self) -> Link:
        return self._make_link(self._request.profile, self._request.seed)

    # --- told -------------------------------------------------------------------------

    def _shows(self, progress: Progress) -> None:
        """Progress within a stretch."""
        told = snapshot(self._soak, progress, "")
        spent_ns = self._help.clock.now_ns() - self._began_ns
        share = told["share"] or 0.0
        counts = progress.counts | {"packets": told["packets"]}
        self._watcher.progress(
            Progress(told["trial_ns"], share, spent_ns, progress.characters, counts)
        )
        self._show(told, spent_ns)

    def _stands(self, waits: str) -> None:
        """What the night waits for."""
        spent_ns = self._help.clock.now_ns() - self._began_ns
        self._show(snapshot(self._soak, None, waits), spent_ns)

    def _show(self, told: dict[str, Any], spent_ns: int) -> None:
        show = getattr(self._watcher, "show", None)
        if show is not None:
            known = {"link": self._help.link_name, "dut": self._facts.get("dut")}
            show({**told, **known, "spent_ns": spent_ns})

    def _written(self) -> SoakResult:
        """The result, which is in the ledger if it can be."""
        ledger, signal = self._ledger, self._help.stop()
        figures = self._figures(signal)
        result = self._result(figures, signal)
        with suppress(LedgerError):
            ledger.verdict(result.as_dict())
        result = self._result(figures, signal)
        with suppress(LedgerError):
            ledger.report(summary(result.as_dict(), self._facts).plain())
        with suppress(LedgerError):
            ledger.close()
        result = self._result(figures, signal)
        told = snapshot(self._soak, None, "")
        said = {"state": "ended", "verdict": result.verdict, "reason": result.reason}
        self._show(told | said, figures["spent_ns"])
        return result

    def _figures(self, signal: int | None) -> dict[str, Any]:
        """All that is known of the night, as strict JSON."""
        book, soak = self._book, self._soak
        stopped_by = soak.stopped_by
        return {
            **verdict_of(self._request, book.sums).as_dict(),
            "soak": soak_figures(
                self._request, book, book.stretch, self._missing_ns, stopped_by
            ),
            "seed": self._request.seed,
            "rig": self._rig(),
            "signal": None if signal is None else Signals(signal).name,
            "trial_ns": book.sums.trial_ns,
            "spent_ns": book.times()["awake_ns"],
            "examples": {
                kind: {word: one[word] for word in one if word not in _OCTETS}
                for kind, one in book.first.items()
            },
            "lost": soak.away,
        }

    def _rig(self) -> str | None:
        """What is known of the rig that a link is; None without one."""
        if "qualified" not in self._facts:
            return None
        return rig_line(self._facts["link"], self._facts["qualified"])

    def _result(self, figures: dict[str, Any], signal: int | None) -> SoakResult:
        failed, lost = self._ledger.failed, None
        exit_code = int(ExitCode[figures["verdict"]])
        if failed is not None:
            exit_code = int(ExitCode.LEDGER)
            lost = {"failed": str(failed), "unwritten": self._ledger.unwritten}
        if figures["lost"] is not None:
            exit_code = int(ExitCode.LINK)
        elif signal is not None:
            exit_code = 128 + signal
        return SoakResult(
            figures["verdict"],
            figures["reason"],
            exit_code,
            signal,
            self._request.seed,
            self._ledger.folder,
            {**figures, "ledger": lost},
            self._facts,
        )
