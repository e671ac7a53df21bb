"""A drive from Python: what is on the line is turned while traffic runs.

    from bench.api import load_profile
    from bench.api_drive import drive
    from bench.trial.drive.asked.script import read_script

    script = read_script(Path("mine.txt").read_text(), "mine.txt")
    result = drive(load_profile("causeway"), script=script)

Real time passes.  The command line is a thin face over this.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from signal import Signals
from typing import TYPE_CHECKING, Any, Literal

from bench.api import facts_of, refuse_number
from bench.base.clock import SystemClock
from bench.base.errors import (
    ExitCode,
    Fault,
    LedgerError,
    ProfileError,
    UsageError,
)
from bench.judge.verdict import Outcome as Says
from bench.ledger import Ledger, LedgerOptions
from bench.ledger.no_verdict import no_verdict_told
from bench.link.live import LEAD_NS
from bench.profile import to_toml
from bench.report.drive.page import drive_page
from bench.traffic.refusal import refuse
from bench.trial.bare import OpenEnd
from bench.trial.drive.asked.commands import Quit
from bench.trial.drive.asked.script import Asked, written_script
from bench.trial.drive.desk import Desk
from bench.trial.drive.run import Drive, Rig, scripted
from bench.trial.lights import light_faults
from bench.trial.links import SIMULATED, LinkOptions, reaches_lights
from bench.trial.odd import probe_of
from bench.trial.plan import Plan
from bench.trial.rehearsal import aside, rehearse
from bench.trial.runner import Tools
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from bench.base.clock import Clock
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.drive.desk import Order
    from bench.trial.drive.link import LineName
    from bench.trial.drive.told import Driven, Looker, Standing, Told
    from bench.trial.runner import Progress

    Ask = Callable[[Asked], Order]

__all__ = ["SCRIPT", "DriveResult", "LinkGiven", "drive"]

SCRIPT = "drive.txt"
"""The marks of a drive as a script, in the folder of its run."""

_LIGHT_NS = 1 << 60
"""A drive has no length of its own; the light guard looks at a sample."""


@dataclass(frozen=True, slots=True)
class LinkGiven:
    """A way to the nodes, other than simulated ones in this process.

    Attributes:
        name: What it is called; whether lights may be at its end follows from it.
        open: Opens a link for these values, each time it is called.
        lead_ns: How far ahead characters are handed over.
        allowed: Limits of the light guard that may be passed, see
            `bench.trial.lights`.
        may_fail: Whether boards may be made to fail.
        line: The modem line that a trigger switches; None: none.
    """

    name: str
    open: Callable[[Profile], Link]
    lead_ns: int = LEAD_NS
    allowed: tuple[str, ...] = ()
    may_fail: bool = True
    line: LineName | None = None


@dataclass(frozen=True, slots=True)
class DriveResult:
    """How a drive ended.

    Attributes:
        verdict: "PASS", "FAIL" or "VOID".
        reason: One sentence: the first thing to act on, or what a pass rests on.
        exit_code: As for a stream.
        signal: The signal that ended it, or None.
        seed: What it can be repeated with.
        run: The folder of its ledger; `drive.txt` in it does the same again.
        figures: All counts, marks and segments, as strict JSON.
        facts: What was known beforehand, as in the ledger's `run.json`.
    """

    verdict: str
    reason: str
    exit_code: int
    signal: int | None
    seed: int
    run: Path
    figures: dict[str, Any]
    facts: dict[str, Any]

    def as_dict(self) -> dict[str, Any]:
        """The figures with how it ended, its seed and its folder, as strict JSON."""
        return {**self.figures, "exit_code": self.exit_code, "run": str(self.run)}


def drive(
    profile: Profile,
    *,
    link: LinkGiven | None = None,
    script: Sequence[Asked] = (),
    hands: Callable[[Ask], None] | None = None,
    duration_ns: int | None = None,
    seed: int = 0,
    logs: str | Path = "logs",
    dut: Mapping[str, str] | None = None,
    facts: Mapping[str, Any] | None = None,
    on_log_failure: Literal["stop", "continue"] = "stop",
    looker: Looker | None = None,
    stop: Callable[[], int | None] | None = None,
    clock: Clock | None = None,
) -> DriveResult:
    """Drive the nodes of a profile until somebody ends it.

    Args:
        profile: The profile; see `bench.api.load_profile`.
        link: The way to the nodes; simulated ones in this process unless given.
        script: Commands with their instants.
        hands: Called once, before traffic, with what takes a command; that may be
            called from any thread, and raises `BenchError` for what cannot be obeyed.
        duration_ns: It ends by itself after so much time on the line.
        seed: What every draw depends on.
        logs: The folder of all runs.
        dut: As for `bench.api.stream`.
        facts: Likewise.
        on_log_failure: Likewise.
        looker: Who looks on.
        stop: Asked often: the number of a signal that came, or None.
        clock: The bench's clock; the system's unless given.

    Raises:
        UsageError: If the arguments cannot be obeyed.
        BenchError: If a command of the script cannot be obeyed; it is named.
        ProfileError: If the profile cannot be sent, or lights would do what they must
            not.
        LinkError: If the link is lost before it took anything.
        LedgerError: If the ledger cannot be begun, or stopped the traffic.
    """
    refuse_number("seed", seed, 2**64 - 1)
    refuse(profile)
    if probe_of(profile) is not None:
        mend = "observe the replies to every packet, or stream"
        raise UsageError(
            Fault("a drive sends no probes", "observe.reply.probe", mend=mend)
        )
    stopped, clock = stop or (lambda: None), clock or SystemClock()
    way = link or _within(profile, clock, seed, stopped)
    desk = _desk(profile, way, seed)
    if faults := desk.lights(profile):
        raise ProfileError(list(faults))
    own = 1 if profile.packet.shared else len(profile.node)
    plan = Plan(profile, seed, packets=own)
    known = facts_of(plan, dut) | {"packets": None, "duration_ns": duration_ns}
    known |= {"link": way.name, "lead_ns": way.lead_ns} | dict(facts or {})
    first = desk.profile
    # A script is refused before anything is begun.
    orders = [scripted(desk, one) for one in script]
    when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    options = LedgerOptions(on_log_failure)
    made = looker or _Nobody()
    ledger = Ledger.create(Path(logs), when, "drive", known, to_toml(profile), options)
    tools = Tools(clock, ledger, _Unwatched(), stopped)
    rig = Rig(desk, way.open, tools, made, seed, way.lead_ns, way.line, duration_ns)
    return _Kept(plan, ledger, tools, known, made).driven(
        Drive(rig, first, orders), hands
    )


def _within(
    profile: Profile, clock: Clock, seed: int, stop: Callable[[], int | None]
) -> LinkGiven:
    """Simulated nodes in real time within this process."""
    from bench.trial.drive.within import link_within
    from bench.trial.serve.served import Served, warm

    Served(profile, seed=seed)  # refuses what it cannot be
    aside(lambda: warm(profile), stop)
    options = LinkOptions(stop=stop)
    return LinkGiven(
        SIMULATED, lambda values: link_within(values, clock, options, seed=seed)
    )


def _desk(profile: Profile, way: LinkGiven, seed: int) -> Desk:
    """Who takes commands."""
    template = Template.of_profile(profile)

    def lights(values: Profile) -> Sequence[Fault]:
        if not reaches_lights(way.name):
            return []
        return light_faults(Plan(values, seed, duration_ns=_LIGHT_NS), way.allowed)

    may_fail = way.may_fail or not reaches_lights(way.name)
    return Desk(template.profile, lights, may_fail)


class _Unwatched:
    """Looks at nothing: a drive has a looker of its own."""

    def begun(self, folder: Path) -> None: ...
    def progress(self, progress: Progress) -> None: ...


class _Nobody:
    """Looks at nothing."""

    def begun(self, folder: Path) -> None: ...
    def marked(self, told: Told) -> None: ...
    def stands(self, standing: Standing) -> None: ...
    def relinks(self, told: Told) -> None: ...


# --- carried out ----------------------------------------------------------------------


class _Kept:
    """A drive whose ledger has begun."""

    def __init__(
        self,
        plan: Plan,
        ledger: Ledger,
        tools: Tools,
        facts: dict[str, Any],
        looker: Looker,
    ) -> None:
        self._plan = plan
        self._ledger = ledger
        self._tools = tools
        self._facts = facts
        self._looker = looker
        self._began_ns = tools.clock.now_ns()

    def driven(self, driver: Drive, hands: Callable[[Ask], None] | None) -> DriveResult:
        """Drive, and write down how it went."""
        ledger = self._ledger
        with ledger:
            self._looker.begun(ledger.folder)
            with no_verdict_told(ledger):
                driven = self._performed(driver, hands)
            return self._written(driven)

    def _performed(
        self, driver: Drive, hands: Callable[[Ask], None] | None
    ) -> Driven | None:
        """Rehearse, then drive; None if it was stopped before."""
        if not rehearse(self._plan, OpenEnd, self._tools.stop):
            return None
        if hands is not None:
            hands(driver.ask)
        self._began_ns = self._tools.clock.now_ns()
        return driver.perform()

    def _written(self, driven: Driven | None) -> DriveResult:
        """The result, which is in the ledger if it can be."""
        ledger, signal = self._ledger, self._tools.stop()
        figures = self._figures(driven, signal)
        with suppress(LedgerError):
            ledger.attach(SCRIPT, figures.pop("script").encode())
        result = self._result(figures, signal)
        with suppress(LedgerError):
            ledger.verdict(result.as_dict())
        result = self._result(figures, signal)
        with suppress(LedgerError):
            ledger.report(drive_page(result.as_dict(), self._facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return self._result(figures, signal)

    def _figures(self, driven: Driven | None, signal: int | None) -> dict[str, Any]:
        """What came of it, as strict JSON, and the script that does it again."""
        links = () if driven is None else driven.links
        marks = () if driven is None else driven.marks
        notes = [
            f"{self._facts['profile']}, seed {self._plan.seed}",
            "the same is on the line again with the same profile, seed and --set",
        ]
        asked = [Asked(one.mark.order.command, one.mark.at_ns) for one in marks]
        if driven is not None and driven.ended == "stopped":
            asked.append(Asked(Quit(), driven.trial_ns))
        spent_ns = self._tools.clock.now_ns() - self._began_ns
        whole = _whole(driven)
        for record in whole["segments"]:
            with suppress(LedgerError):
                self._ledger.interval({"segment": record})
        return {
            **_verdict_of(driven),
            **whole,
            "marks": [one.as_dict() for one in marks],
            "links": [
                {
                    "rested_ns": one.rested_ns,
                    "characters": one.outcome.characters,
                    "trial_ns": one.outcome.trial_ns,
                    **one.outcome.verdict.as_dict(),
                }
                for one in links
            ],
            "lost": next((o.outcome.lost for o in links if o.outcome.lost), None),
            "ended": "stopped" if driven is None else driven.ended,
            "trial_ns": 0 if driven is None else driven.trial_ns,
            "characters": 0 if driven is None else driven.octets,
            "spent_ns": spent_ns,
            "seed": self._plan.seed,
            "signal": None if signal is None else Signals(signal).name,
            "script": written_script(asked, notes),
        }

    def _result(self, figures: dict[str, Any], signal: int | None) -> DriveResult:
        failed = self._ledger.failed
        exit_code, lost = int(ExitCode[figures["verdict"]]), None
        if failed is not None:
            exit_code = int(ExitCode.LEDGER)
            lost = {"failed": str(failed), "unwritten": self._ledger.unwritten}
        if figures["lost"] is not None:
            exit_code = int(ExitCode.LINK)
        elif signal is not None:
            exit_code = 128 + signal
        return DriveResult(
            figures["verdict"],
            figures["reason"],
            exit_code,
            signal,
            self._plan.seed,
            self._ledger.folder,
            {**figures, "ledger": lost},
            self._facts,
        )


def _verdict_of(driven: Driven | None) -> dict[str, Any]:
    """The verdict on all links: a fail wins, a void one stands where nothing else."""
    verdicts = [] if driven is None else [one.outcome.verdict for one in driven.links]
    for says in (Says.FAIL, Says.PASS, Says.VOID):
        for verdict in verdicts:
            if verdict.outcome is says:
                return {"verdict": says.value, "reason": verdict.reason}
    return {"verdict": Says.VOID.value, "reason": "nothing was sent"}


def _whole(driven: Driven | None) -> dict[str, Any]:
    """Packets in all, and mark by mark."""
    if driven is None or not driven.stretches:
        return {"packets": None, "segments": []}
    whole = driven.stretches[0]
    for stretch in driven.stretches[1:]:
        whole = whole + stretch
    segments = [{"mark": one.mark, **one.as_dict()} for one in driven.stretches]
    return {"packets": whole.as_dict(), "segments": segments}
