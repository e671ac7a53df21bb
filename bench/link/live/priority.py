"""Real-time priority for the thread that asks, where the system allows it."""

from __future__ import annotations

import os

GRANTED = "granted"

_PRIORITY = 10
"""Above all that is not real-time, and below what a kernel's own threads have."""


def ask() -> str:
    """`GRANTED`, or why this thread has none."""
    schedule = getattr(os, "sched_setscheduler", None)
    if schedule is None:
        return "this system has no such call"
    try:
        schedule(0, os.SCHED_FIFO, os.sched_param(_PRIORITY))
    except OSError as error:
        return error.strerror or str(error)
    return GRANTED
