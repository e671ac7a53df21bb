"""What all steps of an acceptance come to.

FAIL wins; then VOID: a board that was not tried has not passed.  A pass needs every
step.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode
from bench.judge.verdict import Outcome

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Record = Mapping[str, Any]

_TOLD = (
    "name",
    "kind",
    "verdict",
    "reason",
    "required",
    "measured",
    "margin",
    "run",
)


def verdict_of(records: Sequence[Record], names: Sequence[str]) -> dict[str, Any]:
    """The verdict over all steps, as strict JSON.

    Args:
        records: Of the steps that are done, in their order.
        names: Of all steps.
    """
    done = {record["name"] for record in records}
    missing = [name for name in names if name not in done]
    failures = _sentences(records, Outcome.FAIL)
    void = _sentences(records, Outcome.VOID)
    if missing:
        void.append(f"not tried: {', '.join(missing)}")
    outcome, reason = Outcome.PASS, _passed(records)
    if failures:
        outcome, reason = Outcome.FAIL, failures[0]
    elif void:
        outcome, reason = Outcome.VOID, void[0]
    return {
        "verdict": outcome.value,
        "reason": reason,
        "exit_code": int(ExitCode[outcome.name]),
        "failures": failures,
        "void": void,
        "steps": [{word: record[word] for word in _TOLD} for record in records],
    }


def _sentences(records: Sequence[Record], outcome: Outcome) -> list[str]:
    return [
        f"{record['name']}: {record['reason']}"
        for record in records
        if record["verdict"] == outcome.value
    ]


def _passed(records: Sequence[Record]) -> str:
    """What a pass rests on."""
    least = min(
        (record for record in records if record["margin"] is not None),
        key=lambda record: record["margin"],
        default=None,
    )
    text = f"all {len(records)} steps passed"
    if len(records) == 1:
        text = "the only step passed"
    if least is None:
        return text
    times = f"{least['margin']:.3g} × what is required"
    return f"{text}; least margin {times}, {least['name']}"
