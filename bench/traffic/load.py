"""Bus load in closed form: what a profile asks of the line.

Load is the share of the line's time that packets take up (RFC 2285 speaks of intended
and offered load), each character with the idle time that the virtual wire puts after
it, and each packet with the break or the silence that its framing asks for.

A frame is an own packet for each node, or where the payload is shared one packet in
which every node has a window.

How many octets stuffing adds depends on what is sent.  Figures are for the pattern's
average unless they are said to be the worst, which is that every octet is replaced.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.wire.format import Delimiter, Stuffing, format_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from bench.profile.model import Packet, Profile
    from bench.wire.format import Format, Layout

__all__ = [
    "Costs",
    "costs_of",
    "intended_load",
    "most_frame_rate",
    "offered_load",
    "own_load",
    "windows_of",
    "worst_costs",
]


@dataclass(frozen=True, slots=True)
class Costs:
    """What packets cost on the line of one profile.

    Attributes:
        format: The packet format.
        pitch_ns: From one character to the next.
        around_ns: Break, mark and silence of one packet.
        sizes: Octets of payload of the own packets of a frame.
        windows: Where in a payload the octets that fill each node's lanes lie: the
            place, from 0 on, and how many.
        shared: Whether these are windows of one payload.
        every: Frames between broadcast packets; 0 for none.
        broadcast: Octets of payload of a broadcast packet.
        sync: Whether a broadcast packet only makes nodes show what they hold.
        stuffed: Share of payload octets that stuffing replaces.
    """

    format: Format
    pitch_ns: Fraction
    around_ns: int
    sizes: tuple[int, ...]
    windows: tuple[tuple[int, int], ...]
    shared: bool
    every: int
    broadcast: int
    sync: bool
    stuffed: Fraction

    @property
    def filled(self) -> tuple[int, ...]:
        """Octets that fill the lanes of each node."""
        return tuple(octets for _, octets in self.windows)

    def packet_ns(self, payload_octets: int, *, worst: bool = False) -> Fraction:
        """Time of one packet."""
        layout = self.format.layout
        octets = layout.head + payload_octets + layout.tail
        characters = Fraction(self.format.longest_stuffed(octets))
        escaped = self.format.unstuffing.kind in (Stuffing.ESCAPE, Stuffing.FLIP)
        if escaped and not worst:
            characters += self.stuffed * payload_octets - octets
        return characters * self.pitch_ns + self.around_ns

    def frame_ns(self, *, worst: bool = False) -> Fraction:
        """Time of the own packets of one frame and its part of a broadcast packet."""
        sizes = self.sizes
        frame = sum((self.packet_ns(size, worst=worst) for size in sizes), Fraction(0))
        if self.every:
            frame += self.packet_ns(self.broadcast, worst=worst) / self.every
        return frame


def costs_of(profile: Profile, recording: NDArray[np.uint8] | None = None) -> Costs:
    """What packets cost on the line of a profile.

    Raises:
        ProfileError: If there is no such pattern.
    """
    # Patterns are arrays, and are loaded only by who needs them.
    from bench.traffic.patterns import Case, recipe_of, stuffed_share

    format = format_of(profile.packet)  # noqa: A001
    traffic = profile.traffic
    filled = tuple(octets for _, octets in windows_of(profile))
    stuffed = Fraction(0)
    if traffic.pattern != "play" or recording is not None:
        recipe = recipe_of(Case(traffic.pattern, format, filled, recording, profile))
        stuffed = Fraction(stuffed_share(recipe, format))
    return _costs(profile, stuffed)


def worst_costs(profile: Profile) -> Costs:
    """What packets cost whatever the pattern: every octet is one that is replaced."""
    return _costs(profile, Fraction(1))


def _costs(profile: Profile, stuffed: Fraction) -> Costs:
    """What packets cost if so great a share of payload octets is replaced."""
    format = format_of(profile.packet)  # noqa: A001
    pitch, traffic, shared = profile.bus.pitch, profile.traffic, profile.packet.shared
    windows = windows_of(profile)
    sizes = filled = tuple(octets for _, octets in windows)
    if shared:
        sizes = (_shared_octets(format.layout, windows),)
        # What is in no window is zero, which is never replaced.
        stuffed *= Fraction(sum(filled), sizes[0])
    sync = any(node.processor.show == "sync" for node in profile.node)
    return Costs(
        format,
        Fraction(pitch.num, pitch.den),
        _around_ns(profile.packet, format),
        sizes,
        windows,
        shared,
        traffic.broadcast_every,
        format.layout.least if sync else sizes[0],
        sync,
        stuffed,
    )


def _around_ns(packet: Packet, format: Format) -> int:  # noqa: A002
    """Break, mark and silence of one packet."""
    if format.delimiting.kind == Delimiter.SILENCE:
        return packet.silence_ns or 0
    if format.delimiting.kind == Delimiter.BREAK:
        return (packet.break_ns or 0) + (packet.mark_after_break_ns or 0)
    return 0


def windows_of(profile: Profile) -> tuple[tuple[int, int], ...]:
    """Where in a payload the octets that fill each node's lanes lie, and how many."""
    shared = profile.packet.shared
    return tuple(
        (node.address - 1 if shared else 0, node.output.payload_octets)
        for node in profile.node
    )


def _shared_octets(layout: Layout, windows: Sequence[tuple[int, int]]) -> int:
    """Octets of a shared payload: as few as there may be and reach every window."""
    return max(layout.least, *(at + octets for at, octets in windows))


def _rate(profile: Profile) -> Fraction:
    """Frames a second, exactly."""
    return Fraction(str(profile.traffic.frame_rate_hz))


def own_load(profile: Profile, costs: Costs) -> Fraction:
    """Share of the line's time that own and broadcast packets are asked to take."""
    return costs.frame_ns() * _rate(profile) / NS_PER_S


def intended_load(profile: Profile) -> float:
    """Share of the line's time that packets are asked to take, own and foreign."""
    if profile.traffic.pacing == "flood":
        return 1.0
    own = own_load(profile, costs_of(profile))
    return float(own) + profile.traffic.foreign.share


def offered_load(profile: Profile) -> float:
    """Share of the line's time that a schedule fills, pads included."""
    return 1.0 if profile.traffic.pacing == "packed" else intended_load(profile)


def most_frame_rate(profile: Profile, *, worst: bool = False) -> float:
    """Frames a second that own packets alone would fill the line with.

    Args:
        profile: The profile; its own frame rate does not matter.
        worst: For payloads of which stuffing replaces every octet.
    """
    return float(NS_PER_S / costs_of(profile).frame_ns(worst=worst))
