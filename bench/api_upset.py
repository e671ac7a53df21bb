"""Upsets from Python: strike a bus, and see whether every node gets over it.

    import bench

    profile = bench.load_profile("causeway")
    result = bench.upset(profile, upsets=["power-up", "pulled-plug"], seed=7)
    print(result.verdict, result.reason, result.run)

As in `bench.api`, only the date and the machine are asked for here.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from signal import Signals
from typing import TYPE_CHECKING, Any, Literal

from bench.api import StreamResult, facts_of, refuse_number
from bench.base.clock import SystemClock
from bench.base.errors import ExitCode, Fault, LedgerError, UsageError
from bench.base.units import format_ns, parse_duration, shown
from bench.ledger import Ledger, LedgerOptions
from bench.ledger.no_verdict import no_verdict_told
from bench.node.spec import node_specs
from bench.profile import to_toml
from bench.report.upsets import upset_page
from bench.traffic.refusal import refuse
from bench.trial.plan import Plan
from bench.trial.rehearsal import rehearse
from bench.trial.runner import Progress, Tools
from bench.trial.upset.named import DRAWN_MOST, NAMES, UPSETS
from bench.trial.upset.result import Performed, Request, verdict_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from bench.base.clock import Clock
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.runner import Outcome, Watcher

__all__ = ["UpsetResult", "upset"]

TIMES = 3
"""At how many instants each upset strikes unless told otherwise."""

_TIMES_MOST = 1000


class UpsetResult(StreamResult):
    """How upsets ended; as for a stream, and `figures["upsets"]` has each of them."""


def upset(
    profile: Profile,
    *,
    upsets: Sequence[str] = (),
    times: int = TIMES,
    duration: str | int | None = None,
    seed: int = 0,
    logs: str | Path = "logs",
    make_link: Callable[[], Link] | None = None,
    dut: Mapping[str, str] | None = None,
    facts: Mapping[str, Any] | None = None,
    on_log_failure: Literal["stop", "continue"] = "stop",
    watcher: Watcher | None = None,
    stop: Callable[[], int | None] | None = None,
    clock: Clock | None = None,
) -> UpsetResult:
    """Strike the bus of a profile, and see whether every node gets over it.

    Args:
        profile: The profile; see `load_profile`.
        upsets: What is to happen, by name; everything there is unless stated.
        times: At how many instants each of them strikes.
        duration: How long one lasts that takes time: "10 ms", or nanoseconds; a good
            frame unless stated, and long enough for darkness where nodes darken.
        seed: What every draw depends on, the instants among them.
        logs: The folder of all runs.
        make_link: The way to nodes at rest, a new one each time; to simulated ones
            unless given.
        dut: As for `stream`.
        facts: Likewise.
        on_log_failure: Likewise.
        watcher: Likewise.
        stop: Likewise.
        clock: Likewise.

    Raises:
        UsageError: If the arguments cannot be obeyed.
        ProfileError: If the profile cannot be sent, or the model does not simulate it.
        LinkError: If a link is lost.
        LedgerError: If the ledger cannot be begun, or stopped the traffic.
    """
    refuse_number("seed", seed, 2**64 - 1)
    request = _request(profile, upsets, times, duration, seed)
    refuse(profile)
    node_specs(profile)
    plan = Plan(profile, seed, packets=len(profile.node))
    known = facts_of(plan, dut) | {"packets": None, "link": "simulated"}
    known |= {"upsets": [one.name for one in request.upsets], "times": times}
    known |= {"duration_ns": request.lasts_ns} | dict(facts or {})
    when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    options = LedgerOptions(on_log_failure)
    ledger = Ledger.create(Path(logs), when, "upset", known, to_toml(profile), options)
    tools = Tools(
        clock or SystemClock(), ledger, watcher or _Nobody(), stop or (lambda: None)
    )
    return _Kept(request, plan, ledger, tools, known).carried(make_link)


def _request(
    profile: Profile,
    names: Sequence[str],
    times: int,
    duration: str | int | None,
    seed: int,
) -> Request:
    """What is asked for.

    Raises:
        UsageError: If there is no such upset, or nothing to do.
    """
    for name in names:
        if name not in NAMES:
            known = ", ".join(NAMES)
            raise UsageError(Fault("no such upset", shown(name), known, "upsets"))
    if not 1 <= times <= _TIMES_MOST:
        expected = f"1 to {_TIMES_MOST}"
        raise UsageError(Fault("out of range", shown(times), expected, "times"))
    lasts_ns = duration
    if isinstance(lasts_ns, str):
        lasts_ns = parse_duration(lasts_ns, "duration")
    if lasts_ns is not None and lasts_ns < 1:
        raise UsageError(Fault("no time", shown(duration), "more than 0 s", "duration"))
    wanted = tuple(one for one in UPSETS if not names or one.name in names)
    most_ns = profile.bus.character.at(DRAWN_MOST)
    if (lasts_ns or 0) > most_ns and any(one.drawn for one in wanted):
        what = "too long to be worked out bit by bit"
        expected = f"at most {format_ns(most_ns)}"
        raise UsageError(Fault(what, shown(duration), expected, "duration"))
    return Request(profile, wanted, seed, times, lasts_ns)


class _Nobody:
    """Looks at nothing."""

    def begun(self, folder: Path) -> None: ...
    def progress(self, progress: Progress) -> None: ...


@dataclass(slots=True)
class _Sums:
    """What all trials together took."""

    trials: int = 0
    trial_ns: int = 0
    characters: int = 0


class _Kept:
    """Upsets whose ledger has begun."""

    def __init__(
        self,
        request: Request,
        plan: Plan,
        ledger: Ledger,
        tools: Tools,
        facts: dict[str, Any],
    ) -> None:
        self._request = request
        self._plan = plan
        self._ledger = ledger
        self._tools = tools
        self._facts = facts
        self._sums = _Sums()
        self._began_ns = tools.clock.now_ns()

    def carried(self, make_link: Callable[[], Link] | None) -> UpsetResult:
        """Try everything, and write down how it ended."""
        ledger = self._ledger
        with ledger:
            self._tools.watcher.begun(ledger.folder)
            with no_verdict_told(ledger):
                performed = self._performed(make_link or self._simulated)
            return self._written(performed)

    def _performed(self, make_link: Callable[[], Link]) -> Performed:
        """Rehearse, then strike."""
        if not rehearse(self._plan, make_link, self._tools.stop):
            return Performed()
        # Numba is loaded with it, when it is really wanted.
        from bench.trial.upset.run import Performer

        # Nobody is told of the progress of one trial among so many.
        tools = Tools(self._tools.clock, self._ledger, _Nobody(), self._tools.stop)
        return Performer(self._request, make_link, tools, self._tell).perform()

    def _simulated(self) -> Link:
        """The simulated nodes."""
        from bench.node.link import SimulatedLink

        return SimulatedLink(self._request.profile, seed=self._request.seed)

    def _tell(self, trials: int, ended: Outcome) -> None:
        """One more trial is over."""
        request, sums = self._request, self._sums
        sums.trials = trials
        sums.trial_ns += ended.trial_ns
        sums.characters += ended.characters
        whole = 1 + len(request.upsets) * request.times
        spent_ns = self._tools.clock.now_ns() - self._began_ns
        counts = {"trials": trials, "of": whole}
        share = min(1.0, trials / whole)
        self._tools.watcher.progress(
            Progress(sums.trial_ns, share, spent_ns, sums.characters, counts)
        )

    def _written(self, performed: Performed) -> UpsetResult:
        """The result, which is in the ledger if it can be."""
        ledger, signal = self._ledger, self._tools.stop()
        figures = verdict_of(self._request, performed)
        spent_ns = self._tools.clock.now_ns() - self._began_ns
        figures |= {
            "seed": self._request.seed,
            "signal": None if signal is None else Signals(signal).name,
            "trials": self._sums.trials,
            "trial_ns": self._sums.trial_ns,
            "characters": self._sums.characters,
            "spent_ns": spent_ns,
        }
        result = self._result(figures, signal)
        with suppress(LedgerError):
            ledger.verdict(result.as_dict())
        result = self._result(figures, signal)
        with suppress(LedgerError):
            ledger.report(upset_page(result.as_dict(), self._facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return self._result(figures, signal)

    def _result(self, figures: dict[str, Any], signal: int | None) -> UpsetResult:
        failed = self._ledger.failed
        exit_code = int(ExitCode[figures["verdict"]])
        lost = None
        if failed is not None:
            exit_code = int(ExitCode.LEDGER)
            lost = {"failed": str(failed), "unwritten": self._ledger.unwritten}
        if signal is not None:
            exit_code = 128 + signal
        return UpsetResult(
            figures["verdict"],
            figures["reason"],
            exit_code,
            signal,
            self._request.seed,
            self._ledger.folder,
            {**figures, "ledger": lost},
            self._facts,
        )
