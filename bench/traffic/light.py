"""The light guard: how bright, how much current, how many flashes a schedule makes.

It looks at a sample of what is about to be sent, before it is sent, and holds patterns
under the profile's brightness cap.  It runs on samples, not on each chunk: a packet of
1,920 channels takes about 0.15 ms to measure and 0.25 ms to dim.

What is assumed.  After the header, every device of a lane holds its channels one after
another in shift order, the most significant bit first; bits left over at the end of a
register are no channel.  A channel's light is proportional to its value (duty), and all
channels are equally bright: a profile does not say which are green.  A node is at the
safe level until its first packet, and keeps showing each packet until the next.

What a flash is stands in `bench.traffic.flashes`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import To
from bench.base.errors import Fault, ProfileError
from bench.traffic.flashes import general_flashes, red_flashes

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Literal

    from numpy.typing import NDArray

    from bench.base.columns import Octets, Sent
    from bench.profile.model import Node, Profile

    Levels = NDArray[np.float64]
    Times = NDArray[np.int64]

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
"""Packets looked at together: their bits, one an octet, stay in a processor's cache."""


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
        self._nodes = [_Channels(node) for node in profile.node]

    def by_node(self, sent: Sent) -> tuple[list[Octets], list[Times]]:
        """The payloads of a schedule that fill a node's lanes, and when they are sent.

        A node shows a packet some time after its last bit, always about as long after;
        for flashes the end of the last bit will do.
        """
        payloads, times = [], []
        for index, node in enumerate(self._nodes):
            mine = np.isin(sent.rows["to"], (index, To.EVERY_NODE))
            rows = sent.rows[mine & (sent.rows["payload_octets"] == node.octets)]
            places = rows["payload_at"][:, None] + np.arange(node.octets)
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
        becomes v·L / S, rounded down: brighter channels stay brighter or equal, and the
        sum cannot pass L.  Header and filler bits are untouched; where outputs are
        inverted, light is full less the value.
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


class _Channels:
    """Where the channels of one node lie in its payload."""

    def __init__(self, node: Node) -> None:
        output = node.output
        self._output = output
        self.name = node.name
        self.octets = output.payload_octets
        self.bits = output.channel.bits
        self.full = 2**self.bits - 1
        in_device = output.register_bits // self.bits
        if in_device == 0:
            width = f"{output.register_bits} bits"
            fault = Fault("register holds no channel", width, f"{self.bits} at least")
            raise ProfileError([fault])
        if outside := [index for index in output.channel.red if index >= in_device]:
            last = f"at most {in_device - 1}"
            fault = Fault("no such red channel", f"{outside[0]}", last)
            raise ProfileError([fault])
        self.shape = (output.lanes, output.devices, in_device)
        self.count = output.lanes * output.devices * in_device
        self._red = np.isin(np.arange(in_device), output.channel.red)
        self.reds = output.lanes * output.devices * int(self._red.sum())

    def course(self, octets: Octets, times: Times, safe_level: float) -> _Course:
        """How the node's light changes with these packets."""
        sums, red_sums = np.zeros((2, len(octets)), np.int64)
        for block in _blocks(len(octets)):
            light = self._light(self._unpacked(octets[block]))
            sums[block] = light.sum(axis=(1, 2, 3))
            red_sums[block] = light[..., self._red].sum(axis=(1, 2, 3))
        # One division, so that what is under the cap as a sum is under it as a share.
        shares = sums / (self.full * self.count)
        return _Course(
            self.name,
            len(octets),
            times,
            np.concatenate([[safe_level * self.count], sums / self.full]),
            np.concatenate([[safe_level * self.reds], red_sums / self.full]),
            self.count,
            self.reds,
            max(safe_level, float(shares.max(initial=0.0))),
        )

    def dimmed(self, octets: Octets, cap: Fraction) -> Octets:
        """These packets, none brighter than the cap."""
        most = int(cap * self.full * self.count)
        result = octets.copy()
        for block in _blocks(len(octets)):
            bits = self._unpacked(octets[block])
            light = self._light(bits)
            sums = light.sum(axis=(1, 2, 3))
            bright = np.flatnonzero(sums > most)
            dimmer = bits[bright]
            wide = light[bright].astype(object if self.full * most >> 63 else np.int64)
            scaled = wide * most // sums[bright].reshape(-1, 1, 1, 1)
            self._set_light(dimmer, scaled.astype(np.int64))
            result[block][bright] = self._packed(dimmer)
        return result

    def _unpacked(self, octets: Octets) -> Octets:
        """The bits of each lane in shift order: (packets, lanes, bits)."""
        output = self._output
        lanes = octets.reshape(len(octets), output.lanes, output.lane_octets)
        return np.unpackbits(lanes, axis=2, bitorder=self._bit_order)

    def _packed(self, bits: Octets) -> Octets:
        """The octets of such bits."""
        packed = np.packbits(bits, axis=2, bitorder=self._bit_order)
        return packed.reshape(len(bits), self.octets)

    @property
    def _bit_order(self) -> Literal["big", "little"]:
        return "big" if self._output.bit_order == "msb-first" else "little"

    def _channel_bits(self, bits: Octets) -> Octets:
        """A view of the channels' bits: (packets, lanes, devices, channels, bits)."""
        output = self._output
        start, stop = output.header_bits, output.burst_clocks
        lanes, devices, channels = self.shape
        registers = bits[:, :, start:stop].reshape(
            len(bits), lanes, devices, output.register_bits, copy=False
        )
        return registers[..., : channels * self.bits].reshape(
            len(bits), *self.shape, self.bits, copy=False
        )

    def _light(self, bits: Octets) -> Times:
        """The light of each channel, 0 to full: (packets, lanes, devices, channels)."""
        packed = np.packbits(self._channel_bits(bits), axis=-1)
        values = np.zeros(packed.shape[:-1], np.int64)
        for place in range(packed.shape[-1]):
            values = values << 8 | packed[..., place]
        values >>= -self.bits % 8
        return self.full - values if self._output.channel.inverted else values

    def _set_light(self, bits: Octets, light: Times) -> None:
        """Put the light of each channel into its bits."""
        values = self.full - light if self._output.channel.inverted else light
        octets = np.ascontiguousarray(values << -self.bits % 8).astype(">u8")
        each = octets[..., None].view(np.uint8)[..., 8 - -(-self.bits // 8) :]
        self._channel_bits(bits)[...] = np.unpackbits(each, axis=-1)[..., : self.bits]


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
