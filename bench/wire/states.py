"""A decoder's events, and its modes: which comes first, and which after a rejection.

What the modes mean is told in `bench.wire.decoder`.  Here are the tables.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum
from typing import TYPE_CHECKING

from bench.wire.format import Delimiter

if TYPE_CHECKING:
    from bench.base.columns import Drop


class Resync(StrEnum):
    """How the next packet is found after a bad one."""

    FORWARD = "forward"
    TIMEOUT = "timeout"
    RESCAN = "rescan"


@dataclass(frozen=True, slots=True)
class Begun:
    """A packet, or what looks like one, begins; see `Packet.at`."""

    at: int


@dataclass(frozen=True, slots=True)
class Packet:
    """A sound packet.

    Attributes:
        at: Place of its first octet, or of the break that began it.
        end: One past the last place that belongs to it, a closing delimiter included.
        raw: All of it, unstuffed, from the first octet of its head to the last of its
            tail.
        payload: What it carries.
        address: Whom it is for; None where the format has no address.
        sequence: Its number; None where the format has none.
    """

    at: int
    end: int
    raw: bytes
    payload: bytes
    address: int | None
    sequence: int | None


@dataclass(frozen=True, slots=True)
class Rejected:
    """What looked like a packet and is none.

    Attributes:
        at: Place of its first octet, or of the break that began it.
        end: One past the symbol that revealed it; where a gap did, or what begins the
            next packet, the place at which that stands.
        reason: What is wrong with it.
        address: Whom it would have been for; None where its address was not complete,
            or not unstuffed yet.
    """

    at: int
    end: int
    reason: Drop
    address: int | None


Event = Begun | Packet | Rejected


class Mode(Enum):
    """What a decoder is at."""

    HUNT = 1
    MATCH = 2
    INSIDE = 3
    DEAF = 4


class Revealed(Enum):
    """What revealed a fault."""

    OCTET = 1  # or a break
    DELIMITER = 2
    PAUSE = 3
    SILENCE = 4


INITIAL = {
    Delimiter.MARKER: Mode.HUNT,
    Delimiter.OCTET: Mode.INSIDE,
    Delimiter.SILENCE: Mode.INSIDE,
    Delimiter.BREAK: Mode.HUNT,
    Delimiter.NINTH: Mode.HUNT,
}
"""The mode at the start, after a sound packet, and after a silence in DEAF."""

FORWARD = {
    (Delimiter.OCTET, Revealed.OCTET): Mode.HUNT,
    (Delimiter.SILENCE, Revealed.OCTET): Mode.DEAF,
    (Delimiter.SILENCE, Revealed.PAUSE): Mode.DEAF,
}
"""The mode after a rejection by `forward` or `rescan`, where not the initial one."""


def mode_after(kind: Delimiter, resync: Resync, revealed: Revealed) -> Mode:
    """The mode after a rejection.

    With `rescan` and markers the hunt starts anew just after the rejected candidate's
    first octet, else after what revealed the fault.
    """
    if resync is Resync.TIMEOUT:
        silent = revealed is Revealed.SILENCE
        return INITIAL[kind] if silent else Mode.DEAF
    return FORWARD.get((kind, revealed), INITIAL[kind])
