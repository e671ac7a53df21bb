"""What is looked for, from what was typed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.trial.edge.find import Quest
from bench.trial.edge.window import ENDS, OFFSET, WITHIN
from bench.trial.edge.within import within_of
from bench.trial.sweep.axes import SEED, part_of, scale_at

if TYPE_CHECKING:
    from bench.trial.sweep.template import Template

SCALES = ("log", "linear")
"""How the way between two values is halved."""


def quest_of(
    template: Template,
    name: str,
    ends: tuple[str | None, str | None],
    to_within: str | None = None,
    scale: str | None = None,
) -> Quest:
    """What is looked for.

    Args:
        template: The profile.
        name: What is varied.
        ends: Between which values.
        to_within: How close; the usual unless stated.
        scale: One of `SCALES`; unless stated, log wherever it can be.

    Raises:
        UsageError: If there is no such axis, or nothing between the ends.
    """
    start, end = ends
    if name == OFFSET:
        start, end = start or ENDS[0], end or ENDS[1]
        to_within = to_within or WITHIN
    if name == SEED:
        raise UsageError(
            Fault(
                "seeds have no order",
                name,
                "something that has more and less",
                "--vary",
            )
        )
    part_of(name, template.tables, "--vary")
    if start is None or end is None:
        expected = f"both ends of what {name} is varied between"
        where = "--from" if start is None else "--to"
        raise UsageError(Fault("an end is missing", "", expected, where))
    kind, (low, high) = scale_at(name, (start, end), template.tables, "--vary")
    if low == high:
        expected = "two values that differ"
        written = f"{start} .. {end}"
        raise UsageError(Fault("empty range", shown(written), expected, "--from, --to"))
    if scale not in (None, *SCALES):
        raise UsageError(Fault("no such scale", shown(scale), " or ".join(SCALES)))
    above = min(low, high) > 0
    if scale == "log" and not above:
        expected = "ends above 0, or linear"
        raise UsageError(
            Fault("out of range", shown(min(start, end)), expected, "--scale")
        )
    log = above and not kind.is_share if scale is None else scale == "log"
    within = within_of(to_within, kind, min(low, high), max(low, high))
    confidence = template.profile().accept.confidence
    return Quest(name, low, high, kind, within, log, confidence)


def is_window(quest: Quest) -> bool:
    """Whether the windows of nodes are looked for, and not one edge."""
    return quest.name == OFFSET and quest.start * quest.end < 0
