"""What is said of a drive in one line: packets, a mark, and when it took effect."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.page import glued
from bench.trial.drive.asked.commands import Set, written

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.trial.drive.told import Told

    Content = Mapping[str, Any]

ODD = ("lost", "corrupt", "stray", "repeated", "out_of_order")
"""What may become of a packet, or of a burst, that is not as it should be."""


def became(counts: Content, *, ended: bool = False) -> str:
    """What became of packets, in a few words.

    Args:
        counts: How many were offered, and what of them.
        ended: Whether nothing more will be known.
    """
    offered, shown = counts["offered"], counts["shown"]
    if not offered and not any(counts[word] for word in ODD):
        return "no packets"
    if shown is None:
        return f"{counted(offered)} packets, shown: not observable"
    parts = [f"{counted(shown)} of {counted(offered)} packets shown"]
    parts += [
        f"{counted(counts[word])} {word.replace('_', ' ')}"
        for word in ODD
        if counts[word]
    ]
    if not counts["lost"]:
        parts.insert(1, "none lost")
    left = offered - shown - (counts["lost"] or 0) - (counts["corrupt"] or 0)
    if left > 0 and not ended:
        parts.append(f"{counted(left)} on their way")
    return ", ".join(parts)


def changes(told: Told) -> str:
    """What a mark was, and what it changed from what."""
    order = told.mark.order
    if not isinstance(order.command, Set) or not order.changed:
        return written(order.command)
    return ", ".join(
        f"{path} from {_value(before)} to {_value(after)}"
        for path, before, after in order.changed
    )


def effect(told: Told, lead_ns: int) -> str:
    """When a mark took effect, as far as that is known."""
    parts = []
    if told.after_ns is not None:
        after = glued(format_ns(told.after_ns, 2))
        lead = glued(format_ns(lead_ns, 2))
        parts.append(
            f"on the line within {after} of being asked for, {lead} of it lead"
        )
    if told.mark.trigger is not None:
        parts.append(f"the packet begins at octet {counted(told.mark.trigger)}")
    if told.switched_ns is not None:
        early = glued(format_ns(told.switched_ns, 2))
        parts.append(f"the modem line was switched up to {early} before it was taken")
    return ", ".join(parts)


def _value(text: str) -> str:
    return text or "nothing"


def counted(number: int) -> str:
    """A count that stays with what follows it."""
    return glued(format_count(number))
