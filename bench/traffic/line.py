"""Lines that carry no packets: one octet over and over.

An adapter, a cable and a scope are looked at with these before there is a profile: 55h
is a square wave at half the baud, 00h is low but for the stop bits, FFh is high but for
the start bits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, Line, no_rows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile.model import Bus

__all__ = ["LINE_OCTETS", "line_pattern"]

LINE_OCTETS = (0x55, 0x00, 0xFF)
"""What is usually sent so; any octet will do."""

_CHUNK = 1 << 16
"""Characters of a chunk unless asked otherwise: 160 ms at 4 Mbaud."""


def line_pattern(
    octet: int, bus: Bus, duration_ns: int, most_octets: int = _CHUNK
) -> Iterator[Line]:
    """One octet without a gap, in chunks.

    Args:
        octet: 0 to 255.
        bus: The line; only what a character takes is used.
        duration_ns: Every character starts before it.
        most_octets: Most characters of a chunk.

    Raises:
        ValueError: If the octet is none, or no character fits a chunk.
    """
    if not 0 <= octet <= 255 or most_octets < 1:
        raise ValueError(f"octet {octet} in chunks of {most_octets}")
    pitch = bus.pitch
    total = -(-duration_ns * pitch.den // pitch.num)
    first, ns, rem = 0, 0, 0
    while first < total:
        count = min(most_octets, total - first)
        runs = np.array([(0, ns, rem)], RUN)
        ns, rem = pitch.after(count, ns, rem)
        octets = np.full(count, octet, np.uint8)
        until_ns = ns if first + count < total else ns - bus.virtual_idle_ns
        yield Line(octets, runs, no_rows(FLAW), first, until_ns)
        first += count
