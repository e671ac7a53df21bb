"""The fields of a packet, each with its places: what a header and a sheet both state.

A field lies so many octets from the packet's start, and so many before its end; where
the payload varies, only one of the two is a number.  A field before the payload is
counted from the start, one after it from the end.  Places come from the profile's
fields in the order of the wire and are those of `bench.wire.format`, which a test holds
them against.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.profile.alike import alike, channel_maps
from bench.wire.checks import Check
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.profile import Profile
    from bench.profile.model import Packet, PacketField
    from bench.wire.format import Layout

__all__ = [
    "Place",
    "alike",
    "channel_maps",
    "check_of",
    "is_shared",
    "line_times",
    "places_of",
]


@dataclass(frozen=True, slots=True)
class Place:
    """One field of a packet.

    Attributes:
        field: What the profile says of it.
        label: What it is called: its kind; "marker"; literals are numbered from 0.
        octets: Its size; None for a payload that varies.
        at: Octets before it; None where that varies.
        from_end: Octets from its first one to the packet's end; None where that varies.
        covered: Whether the check covers it.
    """

    field: PacketField
    label: str
    octets: int | None
    at: int | None
    from_end: int | None
    covered: bool


def places_of(packet: Packet) -> list[Place]:
    """Every field of a packet that has octets or may have some, in wire order."""
    layout = format_of(packet).layout
    fixed = layout.least if layout.least == layout.most else None
    sizes = [_octets(field, fixed) for field in packet.fields]
    covered = _covered(packet)
    literals = 0
    places = []
    for index, field in enumerate(packet.fields):
        label: str = field.kind
        if field.kind == "literal":
            marker = index == 0 and packet.framing == "marker"
            label = "marker" if marker else f"literal {literals}"
            literals += not marker
        at, from_end = _sum(sizes[:index]), _sum(sizes[index:])
        place = Place(field, label, sizes[index], at, from_end, index in covered)
        if place.octets != 0 or field.kind == "payload":
            places.append(place)
    return places


def _octets(field: PacketField, payload: int | None) -> int | None:
    """The size of one field."""
    if field.kind == "literal":
        return len(field.octets)
    if field.kind == "check":
        return Check.named(field.algorithm).size
    return payload if field.kind == "payload" else field.size


def _sum(sizes: Sequence[int | None]) -> int | None:
    """Octets of some fields; None where one varies."""
    known = [size for size in sizes if size is not None]
    return sum(known) if len(known) == len(sizes) else None


def _covered(packet: Packet) -> range:
    """Which fields the check covers."""
    kinds: list[str] = [field.kind for field in packet.fields]
    for index, field in enumerate(packet.fields):
        if field.kind == "check" and Check.named(field.algorithm).size:
            first, last = int(packet.framing == "marker"), index - 1
            if field.covers is not None:
                first, last = (kinds.index(kind) for kind in field.covers)
            return range(first, last + 1)
    return range(0)


def check_of(layout: Layout) -> Check | None:
    """The check of a format; None where there is none, or one without octets."""
    rule = layout.check
    return rule.check if rule is not None and rule.check.size else None


def is_shared(packet: Packet) -> bool:
    """Whether one packet carries the octets of all nodes."""
    return any(field.kind == "payload" and field.shared for field in packet.fields)


def line_times(profile: Profile) -> list[tuple[str, str, int]]:
    """The times in which a packet is sent and received: name, meaning, nanoseconds."""
    packet = profile.packet
    rows = (
        ("break", "the line held low before a packet, at least", packet.break_ns),
        (
            "mark after break",
            "idle time between the break and the first octet",
            packet.mark_after_break_ns,
        ),
        ("silence", _silence(packet), packet.silence_ns),
        ("pause", "longer idle time inside a packet makes it bad", packet.pause_ns),
    )
    return [(name, what, ns) for name, what, ns in rows if ns is not None]


def _silence(packet: Packet) -> str:
    """What a silence does."""
    if packet.framing == "silence":
        return "idle time that ends a packet"
    return "idle time after which a receiver that waits for one listens again"
