"""The safe level, at every end of a trial on a real link; or why it could not be sent.

One frame of packets that the traffic floor makes.  It is put on the line after
everything that is judged, and is not judged itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.errors import BenchError
from bench.base.grid import NS_PER_S
from bench.base.units import format_count, format_ns
from bench.link.evidence import Evidence
from bench.traffic.safe import safe_frame
from bench.trial.bare import nobody_on

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.errors import LinkError
    from bench.link.link import Link
    from bench.trial.plan import Plan

MOST_NS = 10 * NS_PER_S
"""A frame that takes longer is not waited for at a stop."""

_AHEAD_NS = 5_000_000
"""So long after the end it is due, so that a link is ready for it."""

_UNSAFE = "the lights show what was sent last"


def leave_safe(
    link: Link, plan: Plan, place: int, at_ns: int, lost: LinkError | None = None
) -> Evidence:
    """Leave lights at the safe level.

    Args:
        link: The way to them.
        plan: The trial.
        place: Global index of the next character.
        at_ns: Instant of the trial from which the line is free.
        lost: Why the link is lost, if it is.

    Returns:
        "safe_level" among the figures: None where there are no lights, else whether it
        was sent, and why not.  "undrained": up to how many characters may not have left
        by the end, None if nobody tells.
    """
    return _left(link, plan, (place, at_ns), lost) + _drained(link)


def _left(
    link: Link, plan: Plan, free: tuple[int, int], lost: LinkError | None
) -> Evidence:
    """Send the safe level where there are lights; what became of it."""
    if nobody_on(plan.profile):
        return Evidence({"safe_level": None})
    place, at_ns = free
    why = "the link is lost" if lost is not None else _sent(link, plan, place, at_ns)
    figures = {"safe_level": {"sent": why is None, "why": why}}
    notes = () if why is None else (f"the safe level was not sent: {why}; {_UNSAFE}",)
    return Evidence(figures, (), (), notes)


def _drained(link: Link) -> Evidence:
    """Wait, bounded, until everything is on the wire."""
    drain: Callable[[], int | None] | None = getattr(link, "drain", None)
    left = None if drain is None else drain()
    text = f"drain timed out, up to {format_count(left or 0)} octets unconfirmed"
    return Evidence({"undrained": left}, (), (), (text,) if left else ())


def _sent(link: Link, plan: Plan, place: int, at_ns: int) -> str | None:
    """Send it; why it could not be."""
    try:
        line = safe_frame(plan.profile, place, at_ns + _AHEAD_NS)
        takes_ns = line.until_ns - at_ns
        if takes_ns > MOST_NS:
            return f"a frame takes {format_ns(takes_ns)} at this baud"
        link.carry(line)
    except BenchError as error:
        return error.fault.what
    return None
