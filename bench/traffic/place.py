"""Where a schedule has come to, for another one to go on from there.

Whoever changes what is sent while it is sent lets one schedule end between two packets
and begins the next with its `Place`: characters, packets, frames and the sequence
numbers of every address are counted on, payloads do not begin anew, and the line's
exact grid is kept, so that nothing on the line tells of it but what was changed.

The next own packet keeps its place in the frame.  It is due one slot, as long as slots
are now, after the one before it was.  What foreign traffic is owed begins anew.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.grid import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from bench.profile.model import Profile

__all__ = ["Place", "begin_at", "due_ns", "place_of"]

_TAKEN_UP = (1, 2)
"""Phases of the kernel in which the next own packet has been taken up: filling the gap
to it, and sending."""

_SEND, _BROADCAST = 2, 2


@dataclass(frozen=True, slots=True)
class Place:
    """Between two packets of a line.

    Attributes:
        ns: The next character can start here.
        rem: What is left over of it on the line's grid.
        first: Global index of the next character.
        packet: Number of the next packet on the line.
        frame: Of the next own packet.
        node: Its place in the frame.
        last_ns: When the own packet before it was due, a frame's packets that are sent
            together having one instant; None: the next one is due at once.
        drawn: Number of the next foreign packet.
        counted: Packets so far to each address, for their sequence numbers.
    """

    ns: int = 0
    rem: int = 0
    first: int = 0
    packet: int = 0
    frame: int = 0
    node: int = 0
    last_ns: int | None = None
    drawn: int = 0
    counted: Mapping[int, int] = field(default_factory=dict)


def begin_at(parts: Any, place: Place) -> None:
    """Let the kernel's `Parts`, at their very beginning, begin at a place.

    Args:
        parts: The parts; a limit of packets counts from the place on.
        place: The place.
    """
    plan, state = parts.plan[0], parts.state[0]
    own = place.frame * int(plan["own"]) + place.node
    state["own"], state["frame"], state["node"] = own, place.frame, place.node
    if plan["packets"] >= 0:
        plan["packets"] += own
    for ns, rem in (("ns", "rem"), ("pitches_ns", "pitches_rem")):
        state[ns], state[rem] = place.ns, place.rem
    due_ns = place.ns
    if place.last_ns is not None:
        due_ns = max(due_ns, place.last_ns + _apart_ns(plan, place.node))
    # Of packets that are sent together, slots still pass one by one.
    ahead = place.node if plan["together"] else 0
    state["aim_ns"] = due_ns
    state["slot_ns"] = due_ns + ahead * int(plan["slot_ns"])
    state["first"], state["packet"] = place.first, place.packet
    state["drawn"] = place.drawn
    addresses, tallies = _tallied(parts)
    for address, count in place.counted.items():
        parts.tallies[tallies[addresses == address]] = count


def place_of(parts: Any, counted: Mapping[int, int]) -> Place | None:
    """Where the kernel's `Parts` have come to; None where a packet has to follow.

    Args:
        parts: The parts.
        counted: Packets to each address before these began.
    """
    plan, state = parts.plan[0], parts.state[0]
    phase, node = int(state["phase"]), int(state["node"])
    if phase == _SEND and state["kind"] == _BROADCAST:
        return None
    due_ns = int(state["slot_ns"])
    if plan["together"]:
        due_ns -= node * int(plan["slot_ns"])
    if phase in _TAKEN_UP:
        due_ns = int(state["aim_ns"])
    addresses, tallies = _tallied(parts)
    counts = parts.tallies[tallies]
    used = counts > 0
    now = dict(zip(addresses[used].tolist(), counts[used].tolist(), strict=True))
    return Place(
        int(state["ns"]),
        int(state["rem"]),
        int(state["first"]),
        int(state["packet"]),
        int(state["frame"]),
        node,
        due_ns - _apart_ns(plan, node),
        int(state["drawn"]),
        {**counted, **now},
    )


def due_ns(profile: Profile, place: Place) -> int:
    """When the next own packet is due at a place, before it is dithered."""
    traffic = profile.traffic
    if place.last_ns is None or traffic.pacing == "flood":
        return place.ns
    own = 1 if profile.packet.shared else len(profile.node)
    slot_ns = int(NS_PER_S / Fraction(traffic.frame_rate_hz) / own)
    together = traffic.spread == "together"
    plan = {"slot_ns": slot_ns, "own": own, "together": together}
    return max(place.ns, place.last_ns + _apart_ns(plan, place.node))


def _tallied(parts: Any) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Every address that there is, and where packets to it are counted."""
    both = parts.receivers, parts.aside
    addresses = np.concatenate([rows["address"] for rows in both])
    return addresses, np.concatenate([rows["tally"] for rows in both])


def _apart_ns(plan: Any, node: int) -> int:
    """From when one own packet is due to when the next one is, whose place is given."""
    slot_ns = int(plan["slot_ns"])
    if not plan["together"]:
        return slot_ns
    return 0 if node else slot_ns * int(plan["own"])
