"""Sightings on live links: what was heard becomes rows and evidence.  Sans-IO.

One way to see nodes a trial: the nodes of a profile that are seen at all are seen in
the same way.  `sighter_of` makes it from what the profile says at `observe`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.link.sight.blind import BlindSighter
from bench.link.sight.lane import LaneSighter
from bench.link.sight.lines import LinesSighter
from bench.link.sight.replies.sighter import ReplySighter
from bench.link.sight.status import StatusSighter

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.link.sighter import Sighter
    from bench.profile.model import Profile

__all__ = [
    "BlindSighter",
    "LaneSighter",
    "LinesSighter",
    "ReplySighter",
    "StatusSighter",
    "sighter_of",
]

_SIGHTERS: dict[str, Callable[[Profile, list[int]], Sighter]] = {
    "lines": LinesSighter,
    "reply": ReplySighter,
    "lane": LaneSighter,
    "status": StatusSighter,
}

_BLIND = {
    "simulated": "nothing is observable on this link: set observe.by to what sees the "
    "nodes, lines, reply, lane or status",
    "capture": "what the nodes did is in a capture, and is not observable before it is "
    "read",
}


def sighter_of(profile: Profile) -> Sighter:
    """Who makes the sightings of a profile's nodes."""
    ways = [node.observe.by for node in profile.node]
    for way, sighter in _SIGHTERS.items():
        nodes = [index for index, by in enumerate(ways) if by == way]
        if nodes:
            return sighter(profile, nodes)
    return BlindSighter(_BLIND[ways[0]])
