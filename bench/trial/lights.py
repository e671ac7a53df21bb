"""The light guard before a trial on real lights: a sample of what would be sent.

Nothing has been sent by then.  What is past a limit is refused, each limit with the
flag that allows it.
"""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

import numpy as np

from bench.base.errors import Fault, ProfileError
from bench.base.grid import NS_PER_S
from bench.traffic.light import ALLOW_BRIGHT, ALLOW_FLASHING, LightGuard
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from collections.abc import Container

    from bench.trial.plan import Plan

SAMPLE_NS = 3 * NS_PER_S
"""Flashes are counted within a second; three of them, and four frames at least."""

_SAMPLE_FRAMES = 4

_TAKEN = 1 << 18


def refuse_lights(
    plan: Plan, allowed: Container[str] = (), *, seen: bool = True
) -> None:
    """Raise whatever keeps a trial from real lights.

    Args:
        plan: The trial.
        allowed: See `light_faults`.
        seen: Whether what is sent is what the plan says, and can be looked at.

    Raises:
        ProfileError: With every limit that is passed and not allowed to be.
    """
    if faults := light_faults(plan, allowed) if seen else unseen_faults(allowed):
        raise ProfileError(faults)


def unseen_faults(allowed: Container[str] = ()) -> list[Fault]:
    """What cannot be said of lights where nobody looked at what would be sent.

    Args:
        allowed: As for `light_faults`.
    """
    unseen = {ALLOW_BRIGHT: "brightness", ALLOW_FLASHING: "flashes"}
    return [
        Fault(f"nobody looks at the {what} of a recording", mend=f"{flag} allows it")
        for flag, what in unseen.items()
        if flag not in allowed
    ]


def light_faults(plan: Plan, allowed: Container[str] = ()) -> list[Fault]:
    """What a trial would do to lights that it must not.

    Args:
        plan: The trial.
        allowed: `ALLOW_BRIGHT` and `ALLOW_FLASHING`, as far as somebody says so.
    """
    if plan.line is not None or (ALLOW_BRIGHT in allowed and ALLOW_FLASHING in allowed):
        return []
    profile = plan.profile
    frames_ns = ceil(_SAMPLE_FRAMES * NS_PER_S / profile.traffic.frame_rate_hz)
    schedule = Schedule(
        profile,
        seed=plan.seed,
        packets=plan.packets,
        duration_ns=min(max(SAMPLE_NS, frames_ns), plan.duration_ns or 1 << 62),
        recording=plan.recording,
    )
    guard = LightGuard(profile)
    parts = []
    while (chunk := schedule.take(_TAKEN)) is not None:
        parts.append(guard.by_node(chunk[1]))
    if not parts:
        return []
    payloads = [np.concatenate(one) for one in zip(*(p for p, _ in parts), strict=True)]
    times = [np.concatenate(one) for one in zip(*(t for _, t in parts), strict=True)]
    faults = guard.faults(guard.measure(payloads, times))
    return [fault for fault in faults if fault.mend.split()[0] not in allowed]
