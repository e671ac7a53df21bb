"""From TOML text to a checked plan; every fault is reported at once.

Shape first, by the same machinery as a profile's; then what no type can say.  What only
shows with a profile (a path that it does not have, a margin that an end of the range
does not reach) is looked at before the first trial, by `bench.api_accept`.
"""

from __future__ import annotations

from dataclasses import replace
from difflib import get_close_matches
from functools import cache
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from bench.base.errors import BenchError, Fault, ProfileError, UsageError
from bench.base.units import shown
from bench.profile.faults import shape_faults
from bench.profile.schema import DIALECT, schema_of
from bench.profile.tables import dotted, read_toml
from bench.trial.accept.model import AcceptPlan, EdgeStep, UpsetStep, demands
from bench.trial.edge.window import OFFSET
from bench.trial.soak.wanted import wanted_of
from bench.trial.upset.named import NAMES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.trial.accept.model import Step


class PlanError(UsageError):
    """A plan with one or more faults, all of them at once."""

    def __init__(self, name: str, faults: Sequence[Fault]) -> None:
        self.name = name
        self.faults = tuple(faults)
        super().__init__(self.faults[0])

    @property
    def lines(self) -> Sequence[str]:
        """One line a fault; the plan is named once, at the first."""
        first, *rest = (str(fault) for fault in self.faults)
        return [f"{self.name}: {first}", *(f"  {line}" for line in rest)]


def plan_of(text: str, name: str = "plan") -> AcceptPlan:
    """The plan of a TOML text.

    Args:
        text: The text.
        name: Of the file, for faults.

    Raises:
        PlanError: If it has faults; all of them.
    """
    try:
        tables = read_toml(text, name)
    except ProfileError as error:
        raise UsageError(error.faults[0]) from error
    try:
        plan = AcceptPlan.model_validate(tables)
    except ValidationError as error:
        placed = shape_faults(error, tables, plan_schema())
        faults = [replace(fault, where=dotted(path)) for path, fault in placed]
        raise PlanError(name, list(dict.fromkeys(faults))) from error
    if faults := list(_broken(plan)):
        raise PlanError(name, faults)
    return plan


def plan_digest(text: str) -> str:
    """The digest by which a plan is known: the SHA-256 of its file."""
    return sha256(text.encode()).hexdigest()


@cache
def _schema() -> dict[str, Any]:
    schema = schema_of(AcceptPlan)
    return {"$schema": DIALECT, **schema, "title": "nightbench plan of acceptance"}


def plan_schema() -> dict[str, Any]:
    """The JSON Schema of a plan, draft 2020-12; nobody changes it."""
    return _schema()


# --- what no type can say -------------------------------------------------------------


def _broken(plan: AcceptPlan) -> Iterator[Fault]:
    """Rules between keys that are broken."""
    known: dict[str, int] = {}
    for number, step in enumerate(plan.step):
        where = f"step.{number}"
        if step.name in known:
            mend = f"step.{known[step.name]} has it"
            yield Fault(
                "a name twice", shown(step.name), where=f"{where}.name", mend=mend
            )
        known.setdefault(step.name, number)
        for at, text in enumerate(step.set):
            if "=" not in text:
                expected = "a dotted path, = and a value"
                place = f"{where}.set.{at}"
                yield Fault("not an override", shown(text), expected, place)
        yield from _broken_step(step, where)


def _broken_step(step: Step, where: str) -> Iterator[Fault]:
    """Rules of one step."""
    if isinstance(step, EdgeStep):
        yield from _broken_edge(step, where)
    if isinstance(step, UpsetStep):
        for at, name in enumerate(step.trial):
            if name not in NAMES:
                near = get_close_matches(name, NAMES, n=1)
                mend = f"did you mean {near[0]}?" if near else ""
                known = ", ".join(NAMES)
                place = f"{where}.trial.{at}"
                yield Fault("no such upset", shown(name), known, place, mend)
    bound = getattr(step, "bound", None)
    if bound is not None:
        try:
            wanted_of(bound)
        except BenchError as error:
            yield replace(error.fault, where=f"{where}.bound")


def _broken_edge(step: EdgeStep, where: str) -> Iterator[Fault]:
    """Rules of an edge."""
    if (step.vary is None) == (step.method is None):
        what = "neither vary nor method" if step.vary is None else "vary and method"
        yield Fault(what, expected="one of the two", where=where)
        return
    asked = demands(step)
    if step.vary == OFFSET:
        if asked != ["window"]:
            expected = "window, how far all nodes have to go along"
            yield Fault("demands", " and ".join(asked), expected, where)
        return
    if step.vary is not None and step.to is None:
        yield Fault("required key missing", "", "an end that fails", f"{where}.to")
    if len(asked) != 1 or asked == ["window"]:
        expected = "one of margin, least, most"
        yield Fault("demands", " and ".join(asked) or "nothing", expected, where)
