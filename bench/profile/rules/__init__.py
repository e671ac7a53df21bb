"""Rules between fields: what no single field can know.

Every rule is asked, and every one that is broken speaks; a rule that would have to look
at a field that is itself at fault keeps quiet.  Each is a small function that yields
what is broken, in the file of the section that it is about.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from bench.profile.rules import (
    address,
    channels,
    check,
    node,
    observe,
    packet,
    traffic,
)
from bench.profile.rules.check import CheckOctets
from bench.profile.rules.rule import Broken, NodeRule, Rule

if TYPE_CHECKING:
    from bench.profile.model import Profile

__all__ = [
    "NODE_RULES",
    "RULES",
    "Broken",
    "CheckOctets",
    "NodeRule",
    "Rule",
    "broken_rules",
]

RULES: tuple[Rule, ...] = (
    *packet.RULES,
    *check.RULES,
    *address.RULES,
    *traffic.RULES,
)
NODE_RULES: tuple[NodeRule, ...] = (
    *address.NODE_RULES,
    *node.NODE_RULES,
    *channels.NODE_RULES,
    *observe.NODE_RULES,
)


def broken_rules(
    profile: Profile, check_octets: CheckOctets | None = None, holes: bool = False
) -> list[Broken]:
    """Every broken rule.

    Args:
        profile: A profile; with `holes`, one of `bench.profile.holes`.
        check_octets: Octets of a named check; None to leave names unexamined.
        holes: Whether the profile has holes, at which a rule gives up.
    """
    rules = [partial(rule, profile) for rule in RULES]
    rules += [
        partial(rule, profile, check_octets=check_octets)
        for rule in (*check.RULES_WITH_CHECKS, *observe.RULES_WITH_CHECKS)
    ]
    nodes = len(profile.node) if not holes or hasattr(profile, "node") else 0
    rules += [
        partial(rule, profile, index) for rule in NODE_RULES for index in range(nodes)
    ]
    found: list[Broken] = []
    for rule in rules:
        try:
            found += list(rule())
        except AttributeError:
            if not holes:
                raise
    return found
