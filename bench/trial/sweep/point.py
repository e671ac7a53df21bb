"""One point of a sweep: its trial, and the record that is kept of it.

A record is plain JSON, complete by itself, and says nothing of how fast it was made or
by whom: so it is the same whatever did the work, and in whatever order.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.base.clock import JumpClock
from bench.base.errors import LinkError, ProfileError
from bench.link.link import Rated
from bench.traffic.load import intended_load
from bench.trial.lights import refuse_lights
from bench.trial.links import reaches_lights
from bench.trial.plan import Plan
from bench.trial.runner import Tools, run
from bench.trial.sweep.axes import Axis
from bench.trial.sweep.offset import run_off
from bench.trial.sweep.state import State, cause_of, state_of
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from bench.link.link import Link
    from bench.profile.model import Profile
    from bench.trial.runner import Outcome, Progress

    MakeLink = Callable[[Profile, int], Link]

_CAUSES = 4
"""Causes that a record holds."""

_LATENCIES = ("p50", "p99", "max")


@dataclass(frozen=True, slots=True)
class Task:
    """One point to be tried.

    Attributes:
        index: Its place among all points.
        values: Its value on each axis.
    """

    index: int
    values: tuple[str, ...]


@dataclass(frozen=True)
class Job:
    """What all points of a sweep have in common.

    Attributes:
        template: The profile.
        axes: What is varied.
        packets: Packets of each trial; None: no limit.
        duration_ns: How long each trial is; None likewise.
        seed: What draws depend on where no axis says so.
    """

    template: Template
    axes: tuple[Axis, ...]
    packets: int | None
    duration_ns: int | None
    seed: int

    def as_dict(self) -> dict[str, Any]:
        """As strict JSON; see `job_of`."""
        return {
            "tables": self.template.tables,
            "axes": [[axis.name, list(axis.values), axis.log] for axis in self.axes],
            "packets": self.packets,
            "duration_ns": self.duration_ns,
            "seed": self.seed,
        }

    def point(self, task: Task) -> dict[str, str]:
        """A point by the names of its axes."""
        names = (axis.name for axis in self.axes)
        return dict(zip(names, task.values, strict=True))

    def profile(self, task: Task) -> tuple[Profile, int]:
        """The profile and the seed of a point.

        Raises:
            ProfileError: If there is no such point.
        """
        return self.template.at(self.axes, task.values, self.seed)


def job_of(given: Mapping[str, Any]) -> Job:
    """What `Job.as_dict` wrote."""
    axes = tuple(Axis(name, tuple(values), log) for name, values, log in given["axes"])
    limits = given["packets"], given["duration_ns"], given["seed"]
    return Job(Template(given["tables"]), axes, *limits)


class Nobody:
    """Keeps no records and looks at nothing."""

    def interval(self, record: Mapping[str, Any]) -> None:
        """See `bench.trial.runner.Records`."""

    def anomaly(self, record: Mapping[str, Any]) -> None:
        """See `bench.trial.runner.Records`."""

    def sync(self) -> None:
        """See `bench.trial.runner.Records`."""

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `bench.trial.runner.Watcher`."""


def never() -> None:
    """Nobody stops it."""


def quiet_tools(
    stop: Callable[[], int | None] = never, *, alone: bool = False
) -> Tools:
    """Tools for a trial of which only the end is of interest."""
    return Tools(JumpClock(), Nobody(), Nobody(), stop, alone)


def simulated(profile: Profile, seed: int) -> Link:
    """The simulated nodes; numba is loaded here, when they are really wanted.

    One thread plays them: whoever tries many points has a point for each core.
    """
    from bench.node.link import SimulatedLink

    return SimulatedLink(profile, seed=seed, threads=1)


def on_all_cores(profile: Profile, seed: int) -> Link:
    """The same, played on all cores: for a trial that others wait for."""
    from bench.node.link import SimulatedLink

    return SimulatedLink(profile, seed=seed)


@dataclass(frozen=True, slots=True)
class Way:
    """The way to the nodes.

    Attributes:
        make_link: A link to nodes of a profile, with a seed for what they draw.
        real: Whether they are boards.
        allowed: Which limits of the light guard may be passed.
        alone: Whether a trial is to do with one thread.
    """

    make_link: MakeLink = simulated
    real: bool = False
    allowed: tuple[str, ...] = ()
    alone: bool = False


SIMULATED = Way(alone=True)
WAITED_FOR = Way(on_all_cores)


def tried(
    job: Job,
    task: Task,
    way: Way = SIMULATED,
    stop: Callable[[], int | None] = never,
) -> dict[str, Any] | None:
    """Try one point.

    Args:
        job: What it is a point of.
        task: The point.
        way: The way to the nodes.
        stop: Asked now and then, as in `Tools`.

    Returns:
        The record; None if it was told to stop before the trial's end.

    Raises:
        BenchError: If the link is lost.
    """
    try:
        profile, seed = job.profile(task)
        ran = outcome_at(job, profile, seed, way, stop)
    except ProfileError as error:
        return record_of(job, task, State.REFUSED, "; ".join(error.lines))
    except CannotMakeError as error:
        return record_of(job, task, State.REFUSED, str(error))
    if ran.signal is not None:
        return None
    if ran.lost is not None:
        raise LinkError(ran.lost)
    verdict = ran.verdict
    state = state_of(verdict, profile)
    record = record_of(job, task, state, verdict.reason)
    record |= {
        "verdict": verdict.outcome.value,
        "cause": cause_of(verdict, state, profile),
    }
    record |= {"seed": seed, **_figures(ran, profile)}
    return plain(record)


class CannotMakeError(LinkError):
    """A baud that the adapter cannot make."""


def outcome_at(
    job: Job,
    profile: Profile,
    seed: int,
    way: Way,
    stop: Callable[[], int | None],
) -> Outcome:
    """Run the trial of a point.

    Raises:
        BenchError: As `bench.trial.runner.run`; `CannotMakeError` if the link cannot.
    """
    tools = quiet_tools(stop, alone=way.alone)
    if profile.bus.baud_offset:
        return run_off(profile, seed, way, tools)
    plan = Plan(profile, seed, job.packets, job.duration_ns)
    with way.make_link(profile, seed) as link:
        if way.real:
            refuse_rate(link, profile.bus.baud)
        if way.real and reaches_lights(link.name):
            refuse_lights(plan, way.allowed)
        return run(plan, link, tools)


def refuse_rate(link: Link, baud: int) -> None:
    """Refuse a baud that an adapter is known not to make.

    Raises:
        CannotMakeError: If its link lists the rates that it makes, and this is none.
    """
    rates = link.rates if isinstance(link, Rated) else None
    if rates is None or baud in rates:
        return
    near = min(rates, key=lambda rate: abs(rate - baud), default=None)
    also = "" if near is None else f"; the nearest that it makes is {near}"
    raise CannotMakeError(f"the adapter cannot make {baud} baud{also}")


def record_of(job: Job, task: Task, state: State, reason: str) -> dict[str, Any]:
    """The record of a point of which no more is known."""
    return {
        "index": task.index,
        "point": job.point(task),
        "state": state.value,
        "verdict": None,
        "reason": reason,
        "cause": "" if state is State.PASS else reason,
    }


def plain(record: Mapping[str, Any]) -> dict[str, Any]:
    """A record as it would be read again."""
    made: dict[str, Any] = json.loads(json.dumps(record, allow_nan=False))
    return made


def _figures(ran: Outcome, profile: Profile) -> dict[str, Any]:
    """What of a trial's figures is kept for each point."""
    figures = ran.verdict.figures
    shown = figures["latency_ns"]["shown"]
    skew = figures["skew_ns"]
    bursts = {word: figures["bursts"][word] for word in _BURSTS}
    causes = [
        {word: cause[word] for word in ("what", "cause", "count")}
        for cause in figures["causes"][:_CAUSES]
    ]
    return {
        "packets": figures["packets"],
        "loss_rate": figures["loss_rate"],
        "loss_upper": figures["loss_upper"],
        "confidence": figures["confidence"],
        "bursts": bursts,
        "latency_ns": shown and {word: shown[word] for word in _LATENCIES},
        "skew_ns": skew and skew["max"],
        "lost_characters": figures["lost_characters"],
        "intended_load": intended_load(profile),
        "offered_load": figures["line"]["offered_load"],
        "frame_rate_hz": profile.traffic.frame_rate_hz,
        "trial_ns": ran.trial_ns,
        "characters": ran.characters,
        "causes": causes,
        "gives_first": figures.get("gives_first"),
        "nodes": [_node(node) for node in figures["nodes"]],
    }


_BURSTS = ("count", "wrong_clocks", "marginal", "short_gaps", "least_gap_ns")


def _node(node: Mapping[str, Any]) -> dict[str, Any]:
    """What is kept of one node."""
    packets = node.get("packets") or {}
    counts = {word: packets.get(word) for word in ("offered", "shown")}
    return {"name": node["name"], **counts}
