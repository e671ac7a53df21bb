"""A plan held against a profile before anything is tried.

A night is too long to learn in the morning that its last step names a path that is not
there.  Every fault is told at once, by the place of its step in the plan.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError, Fault, ProfileError, UsageError
from bench.base.units import shown
from bench.node.spec import node_specs
from bench.profile.schema import SHARED, child
from bench.traffic.refusal import refuse
from bench.trial.accept.load import PlanError
from bench.trial.accept.model import EdgeStep, SoakStep
from bench.trial.edge.ask import quest_of
from bench.trial.edge.methods import RATE, Rates
from bench.trial.edge.window import OFFSET
from bench.trial.soak.changes import change_of
from bench.trial.sweep.axes import PATHS, part_of, scale_at
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from bench.api_accept.plans import ReadPlan
    from bench.profile import Profile
    from bench.trial.accept.model import Step


@dataclass(frozen=True)
class Task:
    """A step with what it is tried on.

    Attributes:
        number: Of the step, from 0.
        step: What is asked for.
        profile: At the step's point.
        start: One end of an edge, as a profile writes it.
        ends: Of an edge, in the base unit: "nominal" where there is one, "from", "to",
            "least", "most".
    """

    number: int
    step: Step
    profile: Profile
    start: str | None = None
    ends: dict[str, float] = field(default_factory=dict)


def tasks_of(read: ReadPlan, template: Template, *, simulated: bool) -> list[Task]:
    """Every step of a plan, on a profile.

    Args:
        read: The plan.
        template: The profile.
        simulated: Whether nodes are simulated, so that the model has to know them.

    Raises:
        UsageError: If the plan is for another profile, or asks for what this one does
            not have; every fault at once.
    """
    plan, profile = read.plan, template.profile()
    if plan.profile is not None and plan.profile != profile.name:
        fault = Fault("the plan is for another profile", profile.name, plan.profile)
        raise UsageError(replace(fault, where=str(read.file)))
    tasks, faults = [], []
    for number, step in enumerate(plan.step):
        where = f"step.{number}"
        try:
            tasks.append(_task(number, step, template, simulated=simulated))
        except ProfileError as error:
            faults += [_placed(fault, where) for fault in error.faults]
        except BenchError as error:
            faults.append(_placed(error.fault, where))
    if faults:
        raise PlanError(str(read.file), faults)
    return tasks


def _placed(fault: Fault, where: str) -> Fault:
    """A fault, with the step in which it is."""
    inner = fault.where.removeprefix("--set ").removeprefix("--")
    return replace(fault, where=f"{where}, {inner}" if inner else where)


def _task(number: int, step: Step, template: Template, *, simulated: bool) -> Task:
    """One step, on a profile.

    Raises:
        BenchError: If it cannot be tried on it.
    """
    profile = template.profile(step.set)
    refuse(profile)
    if simulated:
        node_specs(profile)
    if isinstance(step, SoakStep):
        for text in step.schedule:
            change_of(text, "schedule")
    if isinstance(step, EdgeStep):
        return _edge(number, step, profile)
    return Task(number, step, profile)


def _edge(number: int, step: EdgeStep, profile: Profile) -> Task:
    """An edge, with its ends."""
    template = Template.of_profile(profile)
    name = step.vary or RATE
    part_of(name, template.tables, "vary")
    nominal = _nominal(name, profile)
    start, end = step.from_ or nominal, step.to
    if step.method is not None:
        rates = Rates.of(template)
        start, end = "1 Hz", f"{rates.most} Hz"
        nominal = f"{profile.traffic.frame_rate_hz} Hz"
    if name == OFFSET:
        start, end = step.from_, step.to
        quest_of(template, name, (start, end), step.within)
        return Task(number, step, profile, start)
    if start is None:
        expected = f"an end that works, since no profile states {name}"
        raise UsageError(Fault("required key missing", "", expected, "from"))
    quest_of(template, name, (start, end), step.within)
    asked = {
        "nominal": nominal if step.margin is not None else None,
        "from": start,
        "to": end,
        "least": step.least,
        "most": step.most,
    }
    if step.margin is not None and nominal is None:
        expected = "least or most, since no profile states it"
        raise UsageError(Fault("no margin of", name, expected, "margin"))
    ends = {}
    for word, text in asked.items():
        if text is not None:
            _, (_, worth) = scale_at(name, (start, text), template.tables, word)
            ends[word] = float(worth)
    _refuse_short(step, ends, name)
    return Task(number, step, profile, start, ends)


def _refuse_short(step: EdgeStep, ends: dict[str, float], name: str) -> None:
    """Refuse a range in which what is demanded cannot be found.

    Raises:
        UsageError: If there is nothing to be a margin of, or the range ends before.
    """
    if step.margin is not None:
        nominal = ends["nominal"]
        if nominal <= 0:
            expected = "a value above 0"
            raise UsageError(Fault("no margin of", shown(nominal), expected, name))
        further = max(ends["to"] / nominal, nominal / max(ends["to"], 1e-30))
        if further < step.margin:
            what = "the range ends within the margin"
            expected = f"an end {step.margin:g} times the profile's value, or further"
            written = step.to or f"{ends['to']:g}"
            raise UsageError(Fault(what, written, expected, "to"))
        return
    word = "least" if step.least is not None else "most"
    low, high = sorted((ends["from"], ends["to"]))
    if not low <= ends[word] <= high:
        what = "outside of the range that is looked at"
        asked = str(step.least or step.most)
        raise UsageError(
            Fault(what, asked, f"{step.from_ or 'from'} to {step.to}", word)
        )


def _nominal(name: str, profile: Profile) -> str | None:
    """What a profile has at a path, as it writes it; None for nothing.

    Raises:
        UsageError: If nodes differ in it.
    """
    path = PATHS.get(name, name).split(".")
    dump = profile.dump()
    if path[0] in SHARED:
        values = [_at(node, path) for node in dump["node"]]
        if any(value != values[0] for value in values):
            mend = f"name one: node.0.{name}"
            raise UsageError(Fault("nodes differ", name, where="vary", mend=mend))
        value = values[0]
    else:
        value = _at(dump, path)
    return None if value is None or isinstance(value, bool) else str(value)


def _at(table: Any, path: list[str]) -> Any:
    """A value in tables; None where there is none that is a single one."""
    value = table
    for step in path:
        value = child(value, int(step) if step.isdecimal() else step)
    return None if isinstance(value, dict | list) else value
