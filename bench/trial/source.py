"""Who writes the characters of a trial: a schedule of packets, or a line without any.

Both are taken from in the same way, so everything after them is one path.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from bench.base.columns import SENT, Sent, no_octets, no_rows
from bench.traffic.line import line_pattern
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from bench.base.columns import Line
    from bench.profile.model import Bus
    from bench.trial.plan import Plan

_MOST_OCTETS = 1 << 18
"""Characters of a line in one chunk: a few milliseconds of work."""


class Source(Protocol):
    """What is put on the line, chunk by chunk."""

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:
        """The next chunk of at most so many characters; None at the end."""
        ...

    def give_back(self, line: Line, sent: Sent) -> None:
        """Let a chunk's memory be used again: nobody looks at it any more."""
        ...


class SteadyLine:
    """One octet over and over, and no packets."""

    def __init__(self, octet: int, bus: Bus, duration_ns: int) -> None:
        self._chunks = line_pattern(octet, bus, duration_ns, _MOST_OCTETS)

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:  # noqa: ARG002
        """See `Source`; its chunks are small enough for anybody."""
        line = next(self._chunks, None)
        return None if line is None else (line, Sent(no_rows(SENT), no_octets()))

    def give_back(self, line: Line, sent: Sent) -> None:
        """See `Source`; there is nothing to gain."""


def source_of(plan: Plan) -> Source:
    """What a plan puts on the line.

    Raises:
        ProfileError: If its packets cannot be sent.
        UsageError: If odd ones cannot be put among them.
    """
    if plan.line is not None:
        return SteadyLine(plan.line, plan.profile.bus, plan.duration_ns or 0)
    schedule = Schedule(
        plan.profile,
        seed=plan.seed,
        packets=plan.packets,
        duration_ns=plan.duration_ns,
        recording=plan.recording,
    )
    from bench.trial.odd import OddSource, probe_of

    if not plan.odd and probe_of(plan.profile) is None:
        return schedule
    return OddSource(schedule, plan.profile, plan.odd, plan.seed)
