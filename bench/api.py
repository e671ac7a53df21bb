"""The bench from Python: load a profile, run a stream, read the result.

    import bench

    profile = bench.load_profile("causeway", ["output.clock=2 MHz"])
    result = bench.stream(profile, packets=1000, seed=7)
    print(result.verdict, result.reason, result.run)

The command line is a thin face over these functions.  Here alone the system is asked
for the date (a label of the run's folder) and for what it is; the clock that everything
else works with is handed in.  A verdict is no exception: a trial that fails is a result
like any other.
"""

from __future__ import annotations

import platform
from contextlib import nullcontext, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from signal import Signals
from typing import TYPE_CHECKING, Any, Literal

from bench import __version__
from bench.base.clock import SystemClock
from bench.base.errors import (
    ExitCode,
    Fault,
    LedgerError,
    UsageError,
)
from bench.base.grid import NS_PER_S
from bench.base.units import parse_duration, shown
from bench.ledger import Ledger, LedgerOptions
from bench.ledger.no_verdict import no_verdict_told
from bench.ledger.rigs import known_rig
from bench.link.observes import EVERYTHING
from bench.node.spec import node_specs
from bench.profile import load_profile as _load
from bench.profile import profile_digest, shipped_profiles, to_toml
from bench.report.handbook import FORMATS, written_as
from bench.report.header import header as _header
from bench.report.rig import rig_line
from bench.report.summary import summary
from bench.traffic.refusal import refuse
from bench.trial.bare import OpenEnd
from bench.trial.lights import refuse_lights
from bench.trial.links import reaches_lights
from bench.trial.plan import Plan
from bench.trial.rehearsal import rehearse
from bench.trial.runner import Tools, nothing_sent, run
from bench.wire.checks import Check

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from bench.base.clock import Clock
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.odd import Odd
    from bench.trial.runner import Outcome, Progress, Watcher
    from bench.trial.source import Source

__all__ = ["StreamResult", "header", "load_profile", "sheet", "stream"]

DEFAULT_NS = 60 * NS_PER_S
"""Bus time of a stream that is given no length: some thousand packets, in a second."""

_MOST_SEED = 2**64 - 1

_DUT = ("serial", "revision", "firmware", "operator")
"""What may be stated of the device under test."""

_OCTETS = ("expected", "seen", "before")
"""Parts of an anomaly that are kept in its log alone: up to some 40 kB."""

_PARTS = ("numpy", "numba", "scipy", "pyserial")
"""Libraries on which numbers may depend."""


@dataclass(frozen=True, slots=True)
class StreamResult:
    """How a stream ended.

    Attributes:
        verdict: "PASS", "FAIL" or "VOID".
        reason: One sentence: the first thing to act on, or what a pass rests on.
        exit_code: What a process says with it: that of the verdict, 5 if the ledger
            could not be written to its end, 128 + n if signal n stopped it, 3 if the
            link was lost.
        signal: The signal that ended it early, or None.
        seed: What it can be repeated with.
        run: The folder of its ledger.
        figures: All counts and measures, as strict JSON; None for what was not
            observable.
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


def load_profile(source: str | Path, overrides: Sequence[str] = ()) -> Profile:
    """A profile, checked.

    Args:
        source: The name of a shipped profile, or a path to a .toml file.
        overrides: Values set by their dotted path, "output.clock=2 MHz".

    Raises:
        ProfileError: With every fault that it has.
    """
    return _load(source, overrides, check_octets=lambda name: Check.named(name).size)


def header(profile: Profile, *, command: str = "") -> str:
    """The C header of a profile, from which firmware is built.

    Args:
        profile: The profile; see `load_profile`.
        command: What its head says that it can be made again with; the command for
            this profile unless stated.
    """
    return _header(profile, command or f"nightbench header {_named(profile)}")


def sheet(
    profile: Profile, form: Literal["text", "html"] = "text", *, command: str = ""
) -> str:
    """The printable packet and timing sheet of a profile.

    Args:
        profile: The profile; see `load_profile`.
        form: Plain text of 80 columns, or one HTML page that needs nothing else.
        command: As for `header`.

    Raises:
        ProfileError: If the profile cannot be sent.
        UsageError: If there is no such form.
    """
    if form not in FORMATS:
        raise UsageError(Fault("no such form", shown(form), " or ".join(FORMATS)))
    command = command or f"nightbench sheet {_named(profile)}"
    return written_as(form, profile, command, __version__)


def _named(profile: Profile) -> str:
    """What a command calls a profile: a shipped one by its name, else its file."""
    digest = profile_digest(profile)
    shipped = profile.name in shipped_profiles()
    if shipped and profile_digest(load_profile(profile.name)) == digest:
        return profile.name
    return f"{profile.name}.toml"


def stream(
    profile: Profile,
    *,
    packets: int | None = None,
    duration: str | int | None = None,
    seed: int = 0,
    logs: str | Path = "logs",
    line: int | None = None,
    recording: NDArray[Any] | None = None,
    link: Link | None = None,
    source: Source | None = None,
    odd: Sequence[Odd] = (),
    allowed: Sequence[str] = (),
    dut: Mapping[str, str] | None = None,
    facts: Mapping[str, Any] | None = None,
    on_log_failure: Literal["stop", "continue"] = "stop",
    watcher: Watcher | None = None,
    stop: Callable[[], int | None] | None = None,
    clock: Clock | None = None,
) -> StreamResult:
    """Stream packets to the nodes of a profile, and judge what they show.

    Args:
        profile: The profile; see `load_profile`.
        packets: Ends after so many packets to the nodes.
        duration: Ends with the packets that begin within so much bus time: "10s", or
            nanoseconds.  With neither limit it is 60 s; with both, whichever is first.
        seed: What every draw depends on.
        logs: The folder of all runs.
        line: An octet that is sent over and over instead of packets; nothing may be
            shown.
        recording: uint8, the frames that the pattern `play` plays.
        link: The way to the nodes; simulated ones unless given.  Whoever gives one
            closes it; see `bench.trial.links.open_link`.
        source: What is put on the line, if not what the profile says: see
            `bench.api_listen.played_back`.
        odd: Odd packets that are put into the gaps; see `bench.trial.odd.odd_of`.
        allowed: On a link that may reach lights: which limits of the light guard may be
            passed, "--allow-bright" and "--allow-flashing".
        dut: What is known of the device under test: serial, revision, firmware (a
            digest), operator.
        facts: More for the ledger's `run.json`; `point` (what was overridden) and
            `command` (the words of a command that repeats it) appear in the report.
        on_log_failure: Whether a ledger that cannot be written stops the traffic.
        watcher: Who is told of progress.
        stop: Asked often: the number of a signal that came, or None.
        clock: The bench's clock; the system's unless given.

    Raises:
        UsageError: If the arguments cannot be obeyed.
        ProfileError: If the profile cannot be sent, the model does not simulate it, or
            lights would do what they must not.
        LinkError: If the link is lost before it took anything.  If it is lost later,
            the result says so, over what was carried.
        LedgerError: If the ledger cannot be begun, or stopped the traffic.
    """
    refuse_number("seed", seed, _MOST_SEED)
    if line is not None:
        refuse_number("line", line, 0xFF)
        if packets is not None:
            fault = Fault("a line without packets has no number of them", where="line")
            raise UsageError(fault)
    limit_ns = _duration_ns(packets, duration)
    plan = Plan(profile, seed, packets, limit_ns, {}, recording, line, tuple(odd))
    if line is None:
        refuse(profile, recording)
    if link is None:
        node_specs(profile)
    known = {**facts_of(plan, dut), "link": link.name if link else "simulated"}
    if link is not None and link.most_octets is not None:
        known["qualified"] = known_rig(link.name, Path(logs))
    known |= facts or {}
    stopped = stop or (lambda: None)
    when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    options = LedgerOptions(on_log_failure)
    text = to_toml(profile)
    ledger = Ledger.create(Path(logs), when, "stream", known, text, options)
    tools = Tools(clock or SystemClock(), ledger, watcher or _Nobody(), stopped)
    return _Kept(plan, ledger, tools, known, source).carried(link, allowed)


class _Nobody:
    """Looks at nothing."""

    def begun(self, folder: Path) -> None: ...
    def progress(self, progress: Progress) -> None: ...


# --- what is asked for ----------------------------------------------------------------


def refuse_number(what: str, number: int, most: int) -> None:
    if not 0 <= number <= most:
        fault = Fault("out of range", shown(number), f"0 to {most}", what)
        raise UsageError(fault)


def _duration_ns(packets: int | None, duration: str | int | None) -> int | None:
    """How long a stream lasts at most, None for as long as its packets take.

    Raises:
        UsageError: If one of the two limits leaves nothing to do.
    """
    if packets is not None and packets < 1:
        raise UsageError(Fault("no packets", str(packets), "1 or more", "packets"))
    if duration is None:
        return DEFAULT_NS if packets is None else None
    limit_ns = duration
    if isinstance(limit_ns, str):
        limit_ns = parse_duration(limit_ns, "duration")
    if limit_ns < 1:
        raise UsageError(Fault("no time", shown(duration), "more than 0 s", "duration"))
    return limit_ns


def facts_of(plan: Plan, dut: Mapping[str, str] | None) -> dict[str, Any]:
    """What is known of a run before it begins.

    Raises:
        UsageError: If the device under test is described in other words.
    """
    given = dict(dut or {})
    for word in given:
        if word not in _DUT:
            fault = Fault("nothing of that name", shown(word), ", ".join(_DUT), "dut")
            raise UsageError(fault)
    return {
        "seed": plan.seed,
        "point": {},
        "profile": plan.profile.name,
        "profile_digest": profile_digest(plan.profile),
        "packets": plan.packets,
        "duration_ns": plan.duration_ns,
        "line": plan.line,
        "rig": _rig(),
        "dut": {word: given.get(word) for word in _DUT},
    }


def _rig() -> dict[str, Any]:
    """What does the testing."""
    versions = {"nightbench": __version__}
    for part in _PARTS:
        with suppress(metadata.PackageNotFoundError):
            versions[part] = metadata.version(part)
    return {
        "host": platform.node(),
        "system": f"{platform.system()} {platform.release()} {platform.machine()}",
        "python": platform.python_version(),
        "versions": versions,
    }


# --- carried out ----------------------------------------------------------------------


class _Kept:
    """A stream whose ledger has begun."""

    def __init__(
        self,
        plan: Plan,
        ledger: Ledger,
        tools: Tools,
        facts: dict[str, Any],
        source: Source | None = None,
    ) -> None:
        self._plan = plan
        self._source = source
        self._ledger = ledger
        self._tools = tools
        self._facts = facts

    def carried(self, link: Link | None, allowed: Sequence[str] = ()) -> StreamResult:
        """Carry it out, and write down how it ended."""
        ledger = self._ledger
        with ledger:
            self._tools.watcher.begun(ledger.folder)
            with no_verdict_told(ledger):
                outcome = self._outcome(link, allowed)
            return self._written(outcome)

    def _outcome(self, link: Link | None, allowed: Sequence[str]) -> Outcome:
        """Rehearse, look what lights would do, then run."""
        plan, tools = self._plan, self._tools
        if not rehearse(plan, OpenEnd if link else self._simulated, tools.stop):
            observes = link.observes if link else EVERYTHING
            return nothing_sent(plan, observes, tools)
        live = link is not None and link.most_octets is not None
        if link and live and reaches_lights(link.name):
            refuse_lights(plan, allowed, seen=self._source is None)
        with nullcontext(link) if link else self._simulated() as nodes:
            return run(plan, nodes, tools, self._source)

    def _simulated(self) -> Link:
        """The simulated nodes; numba is loaded here, when they are really wanted."""
        from bench.node.link import SimulatedLink

        return SimulatedLink(self._plan.profile, seed=self._plan.seed)

    def _written(self, outcome: Outcome) -> StreamResult:
        """The result, which is in the ledger if it can be.

        The traffic is over, so whatever fails now is told with the result, not instead
        of it.
        """
        ledger, result = self._ledger, self._result(outcome)
        with suppress(LedgerError):
            ledger.verdict(result.as_dict())
        result = self._result(outcome)
        with suppress(LedgerError):
            ledger.report(summary(result.as_dict(), self._facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return self._result(outcome)

    def _result(self, outcome: Outcome) -> StreamResult:
        verdict, failed = outcome.verdict, self._ledger.failed
        exit_code = int(verdict.exit_code if failed is None else ExitCode.LEDGER)
        if outcome.lost is not None:
            exit_code = int(ExitCode.LINK)
        elif outcome.signal is not None:
            exit_code = 128 + outcome.signal
        return StreamResult(
            verdict.outcome.value,
            verdict.reason,
            exit_code,
            outcome.signal,
            self._plan.seed,
            self._ledger.folder,
            {**verdict.as_dict(), **self._end(outcome)},
            self._facts,
        )

    def _rig(self) -> str | None:
        """What is known of the rig that a live link is; None without one."""
        if "qualified" not in self._facts:
            return None
        return rig_line(self._facts["link"], self._facts["qualified"])

    def _end(self, outcome: Outcome) -> dict[str, Any]:
        """How it ended, beside the verdict."""
        failed = self._ledger.failed
        lost = {"failed": str(failed), "unwritten": self._ledger.unwritten}
        return {
            "seed": self._plan.seed,
            "rig": self._rig(),
            "signal": None if outcome.signal is None else Signals(outcome.signal).name,
            "trial_ns": outcome.trial_ns,
            "spent_ns": outcome.spent_ns,
            "examples": {
                kind: {word: one[word] for word in one if word not in _OCTETS}
                for kind, one in outcome.first.items()
            },
            "lost": outcome.lost,
            "ledger": None if failed is None else lost,
        }
