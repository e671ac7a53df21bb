"""The boards that bad nodes are made from: shipped profiles with short packets."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from bench.profile import load_profile

if TYPE_CHECKING:
    from bench.profile.model import Profile

__all__ = ["BOARDS", "SHORT", "board"]

SHORT = {
    "causeway": (
        "output.devices=1",
        "output.register_bits=16",
        "output.latch_gap=20 us",
        "packet.fields.4.most=16",
        "traffic.foreign.lengths=[16]",
    ),
    "jetty": (
        "output.lanes=8",
        "output.devices=1",
        "output.latch_gap=100 us",
        "packet.fields.2.octets=8",
    ),
    "slipway": (
        "output.devices=1",
        "output.register_bits=16",
        "packet.fields.2.octets=16",
    ),
    "dmx512": (
        "output.lanes=4",
        "output.devices=1",
        "output.register_bits=8",
        "packet.fields.1.octets=12",
        "node.1.address=5",
        "node.2.address=9",
    ),
    "modbus-rtu": (
        "output.devices=2",
        "packet.fields.3.octets=00 08",
        "packet.fields.5.octets=16",
    ),
}
"""Every shipped profile with payloads of at most 16 octets, by its name."""

BOARDS = {
    **{name: (name, sets) for name, sets in SHORT.items()},
    "rescan": ("causeway", (*SHORT["causeway"], "processor.resync=rescan")),
    "paused": (
        "causeway",
        (*SHORT["causeway"], "packet.pause=10 us", "packet.silence=60 us"),
    ),
    "patient": (
        "causeway",
        (*SHORT["causeway"], "packet.silence=60 us", "processor.resync=timeout"),
    ),
    "synced": (
        "causeway",
        (
            *SHORT["causeway"],
            "processor.show=sync",
            "traffic.broadcast_every=1",
        ),
    ),
    "stalling": (
        "jetty",
        (
            *SHORT["jetty"],
            "processor.uart.overrun=stall",
            "processor.rearrange.per_octet=8 us",  # deaf for some characters
        ),
    ),
    "busy": (
        "causeway",
        # Bursts take longer than packets, so that a few of these fill all buffers.
        (*SHORT["causeway"], "output.clock=100 kHz", "traffic.frame_rate=5 Hz"),
    ),
    "edged": (
        "causeway",
        (
            *SHORT["causeway"],
            "processor.uart.fires=transition",
            "processor.interrupt.body=drain",
            "processor.interrupt.count=",
        ),
    ),
}
"""Every board: the profile that it is made from, and what is set."""


@cache
def board(name: str) -> Profile:
    """The profile of a board."""
    profile, sets = BOARDS[name]
    return load_profile(profile, sets)
