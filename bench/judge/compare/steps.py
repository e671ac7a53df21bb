"""Two acceptances compared, step by step.

A step that passed and does not pass any more is worse; one that still passes with less
margin is told.  Steps that only one of the plans has are named, and no more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode
from bench.judge.compare.worse import CANNOT_SAY, NOT_WORSE, WORSE

if TYPE_CHECKING:
    from collections.abc import Mapping

    Content = Mapping[str, Any]
    Told = dict[str, Any]


def compared_steps(before: Content, after: Content) -> Told:
    """The comparison, as strict JSON.

    Args:
        before: The verdict of the first acceptance.
        after: Of the second.
    """
    plans = before["accept"], after["accept"]
    olds, news = ({one["name"]: one for one in plan["steps"]} for plan in plans)
    steps = [_step(name, olds.get(name), news.get(name)) for name in {**olds, **news}]
    worse = [
        f"{one['name']}: {one['after']} where it passed before"
        for one in steps
        if one["worse"]
    ]
    void = [
        f"{one['name']} is void"
        for one in steps
        if "VOID" in (one["before"], one["after"]) and not one["worse"]
    ]
    void += (
        ["the plans have no step in common"] if not olds.keys() & news.keys() else []
    )
    outcome, code = NOT_WORSE, ExitCode.PASS
    reason = "every step that passed before passes still"
    if worse:
        outcome, code, reason = WORSE, ExitCode.FAIL, worse[0]
    elif void:
        outcome, code, reason = CANNOT_SAY, ExitCode.VOID, void[0]
    notes = []
    if plans[0].get("plan_sha256") != plans[1].get("plan_sha256"):
        notes.append("the plans are not the same")
    return {
        "outcome": outcome,
        "reason": reason,
        "exit_code": int(code),
        "worse": worse,
        "void": void,
        "steps": steps,
        "notes": notes,
    }


def _step(name: str, old: Content | None, new: Content | None) -> Told:
    """One step of both, or of one of them."""
    was, is_ = old or {}, new or {}
    verdicts = was.get("verdict"), is_.get("verdict")
    return {
        "name": name,
        "kind": is_.get("kind") or was.get("kind"),
        "before": verdicts[0],
        "after": verdicts[1],
        "before_margin": was.get("margin"),
        "after_margin": is_.get("margin"),
        "before_measured": was.get("measured"),
        "after_measured": is_.get("measured"),
        "worse": verdicts == ("PASS", "FAIL"),
    }
