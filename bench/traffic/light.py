"""The light guard: how bright, how much current, how many flashes a schedule makes.

It looks at a sample of what is about to be sent, before it is sent, and holds patterns
under the profile's brightness cap.  It runs on samples, not on each chunk: a packet of
1,920 channels takes about 0.02 ms to measure and 0.1 ms to dim.

Which bits are whose light, and of which polarity, is the channel map's to say
(`bench.profile.channels`).  What is assumed: a channel's light is proportional to its
value (duty), and all channels are equally bright and draw the same current: a profile
does not say which are green.  A node is at the safe level until its first packet, and
keeps showing each packet until the next.

What a flash is stands in `bench.traffic.flashes`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import lcm
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import To
from bench.base.errors import Fault
from bench.profile.channels import ChannelMap
from bench.traffic.flashes import general_flashes, red_flashes
from bench.traffic.load import windows_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.base.columns import Octets, Sent
    from bench.profile.model import Profile

    Levels = NDArray[np.float64]
    Times = NDArray[np.int64]
    _Weighed = tuple[slice | NDArray[np.bool_], int]

CAUTIONS = {
    "flashes": "Flashes are counted by the definition of WCAG 2. It was drawn from "
    "screens, looks at a whole node or the whole field at once, and proves nothing "
    "about a bare light.",
    "people": "Flashing between about 3 and 60 Hz can trigger seizures: nobody "
    "photosensitive in the room, nobody looking into emitters.",
    "load": "Disconnect the lights or put a dummy load in their place, and limit the "
    "current of the supply, before a trial that is meant to make a node fail.",
    "public": "Walkway and escape lighting is never tested with the public present. "
    "Leave a rig alone only at a low level and on a fused supply.",
    "wiring": "Supply, fusing, cable ratings, earthing and isolation follow local "
    "codes and a licensed electrician. Mains, working at height and permanent wiring "
    "are not this tool's business.",
}
"""What people have to be told before light is made, each once, by what it is about."""

ALLOW_BRIGHT = "--allow-bright"
ALLOW_FLASHING = "--allow-flashing"

_BLOCK = 64
"""Packets looked at together: the light of their channels stays in a processor's
cache."""

_EXACT = 1 << 53
"""Whole numbers below this are exact as floats; sums that may be greater are kept as
Python's own whole numbers."""


@dataclass(frozen=True, slots=True)
class LitFigures:
    """What one node, or the whole field, would do.

    Attributes:
        name: The node's name, or "the whole field".
        packets: Packets that were looked at.
        brightness: Greatest mean over its channels, as a share of full.
        red: The same over its red channels; None where no channel is known to be red.
        current_ma: Greatest current; None where that of a channel is not stated.
        flashes: Most flashes in any one second.
        red_flashes: Most of saturated red; None where no channel is known to be red.
    """

    name: str
    packets: int
    brightness: float
    red: float | None
    current_ma: float | None
    flashes: int
    red_flashes: int | None


@dataclass(frozen=True, slots=True)
class LightFigures:
    """What a sample of a schedule would do, node by node and as a whole."""

    nodes: tuple[LitFigures, ...]
    field: LitFigures


class LightGuard:
    """Measures, judges and dims what is sent to the lights of a profile.

    Payloads are given as one uint8 array a node, in the profile's order, of shape
    (packets, octets that fill its lanes).
    """

    def __init__(self, profile: Profile) -> None:
        self._light = profile.light
        self._nodes = [_NodeLight(ChannelMap(node)) for node in profile.node]
        self._windows, self._shared = windows_of(profile), profile.packet.shared

    def by_node(self, sent: Sent) -> tuple[list[Octets], list[Times]]:
        """The payloads of a schedule that fill a node's lanes, and when they are sent.

        Of a shared payload a node is given its own octets.  A node shows a packet some
        time after its last bit, always about as long after; for flashes the end of the
        last bit will do.
        """
        payloads, times = [], []
        for index, (at, octets) in enumerate(self._windows):
            mine = np.isin(sent.rows["to"], (index, To.EVERY_NODE))
            rows = sent.rows[mine & (sent.rows["payload_at"] >= 0)]
            spare = rows["payload_octets"] - at - octets
            rows = rows[(spare >= 0) if self._shared else (spare == 0)]
            places = rows["payload_at"][:, None] + at + np.arange(octets)
            payloads.append(sent.payload[places])
            times.append(rows["last_bit_ns"].astype(np.int64))
        return payloads, times

    def measure(
        self, payloads: Sequence[Octets], times: Sequence[Times]
    ) -> LightFigures:
        """How bright, how much current and how many flashes.

        Args:
            payloads: One array a node; see the class.
            times: When each packet is shown, in ns, ascending, one array a node.
        """
        courses = []
        for node, octets, shown in zip(self._nodes, payloads, times, strict=True):
            if len(octets) != len(shown) or (np.diff(shown) < 0).any():
                raise ValueError("each packet needs its time, in ascending order")
            courses.append(node.course(octets, shown, self._light.safe_level))
        whole = _whole(courses)
        figures = [self._figures(course) for course in (*courses, whole)]
        return LightFigures(tuple(figures[:-1]), figures[-1])

    def faults(self, figures: LightFigures) -> list[Fault]:
        """What is past which limit, and the flag that allows it; the worst of each."""
        cap, most = self._light.cap, self._light.flashes_per_second
        faults = []
        brightest = max(figures.nodes, key=lambda lit: lit.brightness)
        if brightest.brightness > cap:
            value = f"{brightest.brightness:.1%} of full at {brightest.name}"
            mend = f"{ALLOW_BRIGHT} allows it"
            faults.append(
                Fault(
                    "light too bright", value, f"at most {cap:.1%}", "light.cap", mend
                )
            )
        everything = (figures.field, *figures.nodes)
        general = [(lit.flashes, lit.name) for lit in everything]
        red = [(lit.red_flashes or 0, lit.name) for lit in everything]
        for what, counts in (("light", general), ("saturated red", red)):
            count, name = max(counts, key=lambda counted: counted[0])
            if count > most:
                faults.append(
                    Fault(
                        f"{what} flashes too often",
                        f"{count} times in one second at {name}",
                        f"at most {most}",
                        "light.flashes_per_second",
                        f"{ALLOW_FLASHING} allows it",
                    )
                )
        return faults

    def dim(self, payloads: Sequence[Octets]) -> list[Octets]:
        """The same payloads with no packet brighter than the cap.

        A packet under the cap is left as it is.  In any other, with S the sum of its
        channels' light and L the greatest sum under the cap, every channel's light v
        becomes v·L / S, rounded down: of channels of one width brighter ones stay
        brighter or equal, and the sum cannot pass L.  Bits that belong to no channel
        are untouched.
        """
        cap = Fraction(self._light.cap)
        return [
            node.dimmed(octets, cap)
            for node, octets in zip(self._nodes, payloads, strict=True)
        ]

    def _figures(self, course: _Course) -> LitFigures:
        """The figures of one course of light."""
        red, red_count = None, None
        if course.reds:
            red = float(course.red.max() / course.reds)
            red_count = red_flashes(course.times, course.light, course.red, course.reds)
        current_ma = self._light.channel_ma
        return LitFigures(
            course.name,
            course.packets,
            course.brightness,
            red,
            float(course.light.max() * current_ma) if current_ma else None,
            general_flashes(course.times, course.light / course.channels),
            red_count,
        )


# --- channels -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Course:
    """How light changes: states, the first from before the first packet.

    `times` are those of the states after it; `light` and `red` are sums of duty over
    `channels` channels, `reds` of which are red.
    """

    name: str
    packets: int
    times: Times
    light: Levels
    red: Levels
    channels: int
    reds: int
    brightness: float


class _NodeLight:
    """How bright the packets of one node are.

    Light is summed up in whole units, of which full light of a channel of any width is
    so many: rounding must not take a packet past a cap that it keeps.
    """

    def __init__(self, channels: ChannelMap) -> None:
        self._map = channels
        self.name = channels.node
        red = channels.rows["red"]
        self._reds = int(red.sum())
        # A node without channels makes no light, of one.
        self._count = max(1, len(channels))
        self._units = lcm(*set(channels.full.tolist()))
        self._full = self._units * self._count
        self._exact = np.int64 if self._full < _EXACT else object
        self._all = self._weighed(np.full(len(channels), True))
        self._red = self._weighed(red)

    def course(self, octets: Octets, times: Times, safe_level: float) -> _Course:
        """How the node's light changes with these packets."""
        sums, red_sums = np.zeros((2, len(octets)), self._exact)
        for block in _blocks(len(octets)):
            light = self._map.decode(octets[block])
            sums[block] = self._sum(light, self._all)
            red_sums[block] = self._sum(light, self._red)
        # One division, so that what is under the cap as a sum is under it as a share.
        shares = (sums / self._full).astype(np.float64)
        return _Course(
            self.name,
            len(octets),
            times,
            self._states(safe_level * len(self._map), sums),
            self._states(safe_level * self._reds, red_sums),
            self._count,
            self._reds,
            max(safe_level, float(shares.max(initial=0.0))),
        )

    def dimmed(self, octets: Octets, cap: Fraction) -> Octets:
        """These packets, none brighter than the cap."""
        most = int(cap * self._full)
        widest = int(self._map.full.max(initial=0))
        result = octets.copy()
        for block in _blocks(len(octets)):
            light = self._map.decode(octets[block])
            sums = self._sum(light, self._all)
            bright = np.flatnonzero(sums > most)
            wide = light[bright].astype(object if widest * most >> 63 else np.int64)
            dimmer = (wide * most // sums[bright, None]).astype(np.int64)
            result[block][bright] = self._map.encode(dimmer, octets[block][bright])
        return result

    def _weighed(self, some: NDArray[np.bool_]) -> list[_Weighed]:
        """Some channels by their width: which they are, and units of their numbers."""
        full = self._map.full
        return [
            # All of them as a slice, which is no copy.
            (slice(None) if (some & of_width).all() else some & of_width, units)
            for of_width, units in (
                (full == width, self._units // width) for width in set(full.tolist())
            )
        ]

    def _sum(self, light: Times, weighed: list[_Weighed]) -> NDArray[Any]:
        """The light of some channels, in units."""
        total = np.zeros(len(light), self._exact)
        for columns, units in weighed:
            total += units * light[:, columns].sum(axis=1).astype(self._exact)
        return total

    def _states(self, before: float, sums: NDArray[Any]) -> Levels:
        """A light before the first packet, and that of packets, as sums of duty."""
        return np.concatenate([[before], (sums / self._units).astype(np.float64)])


def _blocks(packets: int) -> list[slice]:
    """Packets in blocks."""
    return [slice(at, at + _BLOCK) for at in range(0, packets, _BLOCK)]


def _whole(courses: Sequence[_Course]) -> _Course:
    """The course of all nodes together."""
    times = np.unique(np.concatenate([course.times for course in courses]))
    light, red = np.zeros((2, len(times) + 1))
    for course in courses:
        state = np.searchsorted(course.times, times, side="right")
        light += course.light[np.concatenate([[0], state])]
        red += course.red[np.concatenate([[0], state])]
    channels = sum(course.channels for course in courses)
    return _Course(
        "the whole field",
        sum(course.packets for course in courses),
        times,
        light,
        red,
        channels,
        sum(course.reds for course in courses),
        float(light.max() / channels),
    )
