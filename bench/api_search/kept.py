"""What a sweep and a search have in common: what is asked for, and their ledger.

Here alone the system is asked for the date.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from signal import Signals
from typing import TYPE_CHECKING, Any, Literal

from bench.api import facts_of
from bench.api_search.before import command_before
from bench.base.clock import SystemClock
from bench.base.errors import (
    ExitCode,
    Fault,
    ProfileError,
    UsageError,
)
from bench.base.units import parse_duration, shown
from bench.ledger import Ledger, LedgerOptions
from bench.ledger.no_verdict import no_verdict_told
from bench.profile import to_toml
from bench.trial.edge.probe import search_ns_of
from bench.trial.edge.window import OFFSET
from bench.trial.plan import Plan
from bench.trial.sweep.hands import Before
from bench.trial.sweep.point import SIMULATED, Job, Nobody, Task, Way, simulated
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from bench.base.clock import Clock
    from bench.link.link import Link
    from bench.link.transport import Transport
    from bench.profile import Profile
    from bench.trial.runner import Watcher
    from bench.trial.sweep.point import MakeLink

MOST_SEED = 2**64 - 1

_REHEARSED = 50
"""Points among which one that can be sent is looked for, to rehearse it."""


@dataclass(frozen=True, slots=True)
class Around:
    """What is around a sweep or a search.

    Attributes:
        logs: The folder of all runs.
        dut: What is known of the device under test.
        facts: More for the ledger's `run.json`.
        on_log_failure: Whether a ledger that cannot be written stops the traffic.
        watcher: Who is told of progress.
        stop: The number of a signal that came, or None.
        clock: The bench's clock.
    """

    logs: str | Path = "logs"
    dut: Mapping[str, str] | None = None
    facts: Mapping[str, Any] | None = None
    on_log_failure: Literal["stop", "continue"] = "stop"
    watcher: Watcher = field(default_factory=Nobody)
    stop: Callable[[], int | None] = field(default=lambda: None)
    clock: Clock = field(default_factory=SystemClock)


# --- what is asked for ----------------------------------------------------------------


def template_of(profile: str | Path | Profile, overrides: Sequence[str]) -> Template:
    """The profile that is varied, by its name, its file, or loaded already."""
    if isinstance(profile, str | Path):
        return Template.of_file(profile, overrides)
    return Template.of_profile(profile, overrides)


def limits_of(
    template: Template, packets: int | None, duration: str | int | None
) -> tuple[int | None, int | None]:
    """How long each trial is."""
    if packets is not None and packets < 1:
        raise UsageError(Fault("no packets", str(packets), "1 or more", "packets"))
    if duration is None:
        return packets, None if packets else search_ns_of(template.profile())
    return packets, duration_ns_of(duration)


def duration_ns_of(duration: str | int) -> int:
    """How long a trial is: "10s", or nanoseconds."""
    ns = parse_duration(duration, "duration") if isinstance(duration, str) else duration
    if ns < 1:
        raise UsageError(Fault("no time", shown(duration), "more than 0 s", "duration"))
    return ns


def before_of(command: str | None, octets: bytes, names: Sequence[str]) -> Before:
    """What is done before each point.

    Args:
        command: As it was typed.
        octets: To be sent.
        names: Of the axes.

    Raises:
        UsageError: If the command is none.
    """
    made = None if command is None else command_before(command, names)
    return Before(made, octets)


def clocked_of(names: Sequence[str], before: str | None) -> list[str]:
    """What of that which is varied only a link with a bit clock can vary.

    The baud itself may be moved by a command at the far end, where there is none.
    """
    moved = [OFFSET] if before else [OFFSET, "bus.baud"]
    return [name for name in names if name in moved]


def way_of(
    template: Template,
    seed: int,
    make_link: MakeLink | None,
    allowed: Sequence[str],
    clocked: Sequence[str] = (),
) -> tuple[Way, str]:
    """The way to the nodes, and what its link is called.

    A link that cannot be had is told before anything else.

    Args:
        template: The profile.
        seed: What draws depend on.
        make_link: A link to boards, or None.
        allowed: Which limits of the light guard may be passed.
        clocked: What is varied that moves the link's bit clock.

    Raises:
        UsageError: If the link has none that it could move.
    """
    if make_link is None:
        return SIMULATED, "simulated"
    with make_link(template.profile(), seed) as link:
        name = link.name
        if clocked and not has_clock(link):
            what = f"this link has no bit clock, so it cannot move {clocked[0]}"
            mend = "an adapter has one, and simulated nodes"
            raise UsageError(Fault(what, name, where="--link", mend=mend))
    return Way(make_link, name != "simulated", tuple(allowed)), name


def has_clock(link: Link) -> bool:
    """Whether something below a link keeps a bit rate; as far as it says so."""
    transport: Transport | None = getattr(link, "transport", None)
    return transport is None or transport.can.keeps_baud


def rehearsed(
    job: Job, points: Sequence[tuple[str, ...]], stop: Callable[[], int | None]
) -> bool:
    """Compile kernels once, before many would; False if it was told to stop."""
    from bench.kernels import jit
    from bench.trial.rehearsal import rehearse

    if not jit.COLD:
        return True
    for index, values in enumerate(points[:_REHEARSED]):
        try:
            profile, seed = job.profile(Task(index, values))
            plan = Plan(profile, seed, packets=len(profile.node))
            return rehearse(plan, partial(simulated, profile, seed), stop)
        except ProfileError:
            continue
    return True


# --- kept in a ledger -----------------------------------------------------------------


class Run:
    """What a sweep and a search have in common: a ledger, and how they end."""

    what = ""

    def __init__(
        self, template: Template, seed: int, around: Around, known: Mapping[str, Any]
    ) -> None:
        self.template = template
        self.seed = seed
        self.around = around
        self.began_ns = around.clock.now_ns()
        self.facts: dict[str, Any] = dict(known)
        self._ledger: Ledger | None = None

    @property
    def ledger(self) -> Ledger:
        """The ledger, which has been begun."""
        assert self._ledger is not None
        return self._ledger

    def create(self, limits: tuple[int | None, int | None]) -> Ledger:
        """A new ledger."""
        profile, around = self.template.profile(), self.around
        packets, duration_ns = limits
        plan = Plan(profile, self.seed, packets, duration_ns)
        self.facts = {
            **facts_of(plan, around.dut),
            **self.facts,
            **(around.facts or {}),
        }
        when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        options = LedgerOptions(around.on_log_failure)
        logs, text = Path(around.logs), to_toml(profile)
        self._ledger = Ledger.create(logs, when, self.what, self.facts, text, options)
        return self._ledger

    def reopen(self, folder: Path) -> Ledger:
        """The ledger of an earlier run, to go on with."""
        options = LedgerOptions(self.around.on_log_failure)
        self._ledger = Ledger.resume(folder, options)
        return self._ledger

    def kept(self, work: Callable[[], None]) -> None:
        """Do the work; if it fails, say in the report why there is no verdict."""
        self.around.watcher.begun(self.ledger.folder)
        with no_verdict_told(self.ledger):
            work()

    def ended(self, figures: dict[str, Any]) -> dict[str, Any]:
        """The figures, with how it ended."""
        signal = self.around.stop()
        spent_ns = self.around.clock.now_ns() - self.began_ns
        return figures | {
            "seed": self.seed,
            "signal": None if signal is None else Signals(signal).name,
            "spent_ns": spent_ns,
        }

    def outcome(self, figures: dict[str, Any]) -> dict[str, Any]:
        """The attributes of a result."""
        failed, signal = self.ledger.failed, self.around.stop()
        exit_code, lost = figures["exit_code"], None
        if failed is not None:
            exit_code = int(ExitCode.LEDGER)
            lost = {"failed": str(failed), "unwritten": self.ledger.unwritten}
        if signal is not None:
            exit_code = 128 + signal
        return {
            "verdict": figures["verdict"],
            "reason": figures["reason"],
            "exit_code": exit_code,
            "signal": signal,
            "seed": self.seed,
            "run": self.ledger.folder,
            "figures": {**figures, "ledger": lost},
            "facts": self.facts,
        }
