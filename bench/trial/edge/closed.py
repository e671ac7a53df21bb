"""The edge beside the closed form: what the budget says of the same thing.

A budget is for the worst that may come together, and trials are what did.  So the
budget's limit lies at the edge or on its safe side; where it lies further off, the line
of the budget that sets it is named, for that is what the trials did not meet.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError
from bench.budget import solve
from bench.trial.edge.probe import number
from bench.trial.sweep.axes import NAMED, PATHS
from bench.trial.sweep.state import State

if TYPE_CHECKING:
    from bench.trial.edge.find import Quest
    from bench.trial.sweep.template import Template

NEAR = 0.1
"""A limit that is no further off agrees: what a budget may lie on the safe side."""


def with_budget(
    template: Template, quest: Quest, found: dict[str, Any]
) -> dict[str, Any]:
    """What was found, with what the budget says of it and a note.

    Args:
        template: The profile.
        quest: What was looked for.
        found: The edge, or that there is none.
    """
    last, first = found["last_good"], found["first_bad"]
    if last is None:
        return _where_it_may_work(template, quest, found)
    known = last is not None and first is not None
    up = first > last if known else quest.end > quest.start
    limit = _limit(template, quest, up=up)
    if limit is None:
        return found | {"budget": None}
    text = f"budget: {quest.name} = {limit['limit_text']}, by {limit['by']}"
    edge = (last, first) if known else None
    refused = found.get("first_bad_state") == State.REFUSED.value
    note = _compared(limit["limit"], edge, up=up, refused=refused)
    notes = [*found["notes"], f"{text}{note}"]
    return found | {"budget": limit, "notes": notes}


def _where_it_may_work(
    template: Template, quest: Quest, found: dict[str, Any]
) -> dict[str, Any]:
    """Both ends fail: the budget's limit on the way to one that works, if it has it."""
    low, high = sorted((quest.start, quest.end))
    for up in (True, False):
        limit = _limit(template, quest, up=up)
        if limit and (limit["limit"] < low if up else limit["limit"] > high):
            text = f"budget: {quest.name} = {limit['limit_text']}, by {limit['by']}"
            notes = [*found["notes"], f"{text}: an end that works may lie there"]
            return found | {"budget": limit, "notes": notes}
    return found | {"budget": None}


def _limit(template: Template, quest: Quest, *, up: bool) -> dict[str, Any] | None:
    """The budget's limit in one direction; None if it knows of none."""
    path = PATHS.get(quest.name, quest.name)
    if path in NAMED:
        return None
    try:
        solution = solve(template.profile, path)
    except BenchError:
        return None
    limit = solution.highest if up else solution.lowest
    if limit is None:
        return None
    exact = Fraction(str(limit))
    return {
        "limit": number(exact),
        "limit_text": quest.scale.text(exact),
        "by": solution.highest_by if up else solution.lowest_by,
    }


def _compared(
    limit: float, edge: tuple[float, float] | None, *, up: bool, refused: bool
) -> str:
    """What is to be said of a limit beside an edge; "" where they agree."""
    if edge is None:
        return "; no trial met what that is for"
    low, high = min(edge), max(edge)
    off = max(low - limit, limit - high, 0)
    if off <= NEAR * abs(low):
        return ""
    if (limit > high) if up else (limit < low):
        if refused:
            return ", past what can be tried"
        return ", past the edge: this board does not keep to it"
    return ", on the safe side: no trial met what that is for"
