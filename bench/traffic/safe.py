"""The safe level: one frame that leaves every light where it may stay.

Made by the schedule as any other frame is, from a profile that plays one recorded
frame, back to back.  Where nodes show on a broadcast, that follows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import Line
from bench.profile.channels import level_payload
from bench.profile.model import Foreign
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from bench.profile.model import Profile

__all__ = ["safe_frame"]

_MOST_OCTETS = 1 << 22
"""All of a frame at once."""


def safe_frame(profile: Profile, first: int, start_ns: int) -> Line:
    """A frame that holds `light.safe_level` for every channel.

    Args:
        profile: The profile.
        first: Global index of its first character.
        start_ns: The first start bit.

    Raises:
        ProfileError: If it cannot be sent so.
    """
    nodes = profile.node
    syncs = any(node.processor.show == "sync" for node in nodes)
    quiet = profile.traffic.model_copy(
        update={
            "pattern": "play",
            "pacing": "flood",
            "dither": 0.0,
            "foreign": Foreign(),
            "broadcast_every": 1 if syncs else 0,
        }
    )
    levels = b"".join(level_payload(node, profile.light.safe_level) for node in nodes)
    schedule = Schedule(
        profile.model_copy(update={"traffic": quiet}),
        seed=0,
        packets=1 if profile.packet.shared else len(nodes),
        recording=np.frombuffer(levels, np.uint8),
    )
    chunk = schedule.take(_MOST_OCTETS)
    assert chunk is not None  # a profile has nodes
    line, _ = chunk
    line.runs["start_ns"] += start_ns
    ends_ns = line.until_ns + start_ns
    return Line(line.octets, line.runs, line.flaws, first, ends_ns)
