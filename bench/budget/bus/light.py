"""The lights: what they draw at full, under the cap, and as the pattern has it.

A channel's light, and its current, is proportional to its number; all channels draw the
same.  A pattern of drawn octets lights half of every channel on average, whatever its
width and polarity; what others light is measured (`nightbench check`), not computed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.budget.line import BudgetLine
from bench.profile.alike import channels_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.profile.model import Node, Profile

_PART = "light"

_HALF = ("random",)
"""Patterns that draw every octet: each number of a channel is as likely as another."""


def currents_ma(profile: Profile, nodes: Sequence[Node]) -> dict[str, float] | None:
    """Current of some nodes, at full and at the cap; None where none is stated."""
    light = profile.light
    if not light.channel_ma:
        return None
    full = sum(channels_of(node.output) for node in nodes) * light.channel_ma
    return {"full": full, "cap": full * light.cap}


def light_lines(profile: Profile, groups: Sequence[Sequence[Node]]) -> list[BudgetLine]:
    """What the lights draw."""
    lines = []
    for group in groups:
        name = "node at full" if len(groups) == 1 else f"{group[0].name} at full"
        lines.append(_current(name, currents_ma(profile, group[:1]), "full"))
    everything = currents_ma(profile, profile.node)
    lines += [
        _current("all at full", everything, "full"),
        _current("all at the cap", everything, "cap"),
        _pattern(profile, everything),
    ]
    return lines


def _current(name: str, found: dict[str, float] | None, which: str) -> BudgetLine:
    formula = "channels x current of one"
    if which == "cap":
        formula += " x cap"
    return BudgetLine(
        name,
        _PART,
        "mA",
        None if found is None else found[which],
        formula=formula,
        missing="" if found else "light.channel",
    )


def _pattern(profile: Profile, found: dict[str, float] | None) -> BudgetLine:
    """The mean of the pattern."""
    name, formula = "pattern", "channels x current of one x mean of the pattern"
    pattern = profile.traffic.pattern
    value = None
    missing = "" if found else "light.channel"
    if pattern not in _HALF:
        missing = "measured, not computed: nightbench check"
    elif found:
        value = found["full"] / 2
    note = f"{pattern}, on average" if value is not None else ""
    if value is not None and profile.light.cap < 1 / 2:
        note += "; above the cap"
    return BudgetLine(
        name, _PART, "mA", value, formula=formula, missing=missing, note=note
    )


def light_figures(profile: Profile) -> dict[str, Any]:
    """Cap and currents, as a profile's figures have them."""
    found = currents_ma(profile, profile.node)
    return {
        "cap": profile.light.cap,
        "cap_ma": found and found["cap"],
        "full_ma": found and found["full"],
    }
