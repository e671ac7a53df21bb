"""The points beside the closed form: where the budget does not fit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError
from bench.budget import budget
from bench.trial.sweep.point import Task
from bench.trial.sweep.state import State

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.trial.sweep.point import Job

MOST = 300
"""Points for which it is asked: a second's work, and more than a chart is read for."""


def over_budget(job: Job, records: Sequence[Mapping[str, Any]]) -> list[int] | None:
    """Which points the budget does not fit; None where there are too many to ask.

    Args:
        job: What was swept.
        records: Its points.
    """
    if len(records) > MOST:
        return None
    return [
        record["index"]
        for record in records
        if State(record["state"]) is not State.REFUSED and not _fits(job, record)
    ]


def _fits(job: Job, record: Mapping[str, Any]) -> bool:
    """Whether the budget of a point fits; what it cannot say is no reason against."""
    values = tuple(record["point"][axis.name] for axis in job.axes)
    try:
        return budget(job.profile(Task(record["index"], values))[0]).fits
    except BenchError:
        return True
