"""What all points of a sweep say together.

A point that fails fails the sweep, void points void it where nothing else says
anything, and a pass needs at least half of the points that could be sent to say
something.  A point that cannot be sent is told, and is no fault.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode
from bench.judge.verdict import Outcome
from bench.trial.sweep.state import State

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.trial.sweep.axes import Axis

    Record = Mapping[str, Any]

VALID_SHARE = 0.5
"""Share of the points that could be sent which must say something for a pass."""

_FAULTS = (State.FAIL.value, State.MARGINAL.value)


def sweep_verdict(
    records: Sequence[Record], axes: Sequence[Axis], of: int
) -> dict[str, Any]:
    """The verdict of a sweep, as strict JSON.

    Args:
        records: Its points, in their order.
        axes: What was varied.
        of: How many points there are.
    """
    states = Counter(State(record["state"]) for record in records)
    bad = [record for record in records if record["state"] in _FAULTS]
    failures = [f"{len(bad)} of {of} points fail; {_first(bad[0])}"] if bad else []
    void = _void(records, states, of)
    if failures:
        outcome, reason = Outcome.FAIL, failures[0]
    elif void:
        outcome, reason = Outcome.VOID, void[0]
    else:
        outcome, reason = Outcome.PASS, _what_a_pass_rests_on(records, states)
    return {
        "verdict": outcome.value,
        "reason": reason,
        "exit_code": int(ExitCode[outcome.name]),
        "failures": failures,
        "void": void,
        "notes": _notes(records, states),
        "axes": [
            {"name": axis.name, "values": list(axis.values), "log": axis.log}
            for axis in axes
        ],
        "size": of,
        "states": {state.value: states[state] for state in State},
        "causes": causes_of(records),
        "trial_ns": sum(record.get("trial_ns", 0) for record in records),
        "characters": sum(record.get("characters", 0) for record in records),
    }


def causes_of(records: Sequence[Record]) -> list[dict[str, Any]]:
    """Why points are not good, the most frequent first, each with its first point."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for record in records:
        if record["state"] in (State.PASS.value, State.REFUSED.value):
            continue
        key = record["state"], record["cause"]
        one = found.setdefault(
            key,
            {"state": key[0], "cause": key[1], "count": 0, "first": record["point"]},
        )
        one["count"] += 1
    return sorted(found.values(), key=lambda one: -one["count"])


def point_text(point: Mapping[str, str]) -> str:
    """A point as a sentence has it."""
    return ", ".join(f"{name} = {value}" for name, value in point.items())


def _first(record: Record) -> str:
    return f"the first at {point_text(record['point'])}: {record['reason']}"


def _void(records: Sequence[Record], states: Counter[State], of: int) -> list[str]:
    """Why the sweep says nothing, or not enough."""
    void = []
    if len(records) < of:
        void.append(f"{of - len(records)} of {of} points were not tried: stopped")
    told = sum(states[state] for state in State if state.told)
    sendable = sum(states.values()) - states[State.REFUSED]
    if not sendable and records:
        void.append(f"no point can be sent; {_first(records[0])}")
    elif told < VALID_SHARE * sendable:
        silent = next(r for r in records if not State(r["state"]).told)
        void.append(f"{told} of {sendable} points say anything; {_first(silent)}")
    return void


def _what_a_pass_rests_on(records: Sequence[Record], states: Counter[State]) -> str:
    """How many points, and what bounds the loss at each."""
    passed = [record for record in records if record["state"] == State.PASS.value]
    worst = max(record["loss_upper"] for record in passed)
    confidence = passed[0]["confidence"]
    rest = sum(states.values()) - states[State.PASS]
    text = f"{len(passed)} points pass; loss at each below {worst:.3g} at "
    text += f"{100 * confidence:g} % confidence"
    return f"{text}; {rest} say nothing" if rest else text


def _notes(records: Sequence[Record], states: Counter[State]) -> list[str]:
    """What a reader has to know beside the numbers."""
    notes = []
    for state in (State.REFUSED, State.SKIPPED, State.DIED):
        if states[state]:
            first = next(r for r in records if r["state"] == state.value)
            count = f"{states[state]} of {len(records)} points"
            notes.append(f"{count}: {state.value}; {_first(first)}")
    return notes
