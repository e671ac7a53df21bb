"""Where every channel of a node lies in its payload: the channel map as columns.

This is the one home of the map: light is read from payloads, dimmed, darkened and put
into patterns through it.  What the bits of a lane are stands in
`bench.profile.model.channels`; a payload is the octets of lane 0, then of lane 1, and
so on.  Bits of a payload are counted as `numpy.unpackbits` does: bit 0 is the most
significant one of octet 0.

A channel's light is a whole number from 0 to 2^bits - 1, whatever the polarity: an
inverted channel holds its full light less its light.  Bits that belong to no channel
(headers, gaps in registers, filler) make no light.

Octets are read and written in windows of up to five that hold a channel, moved and
masked, which is many times as fast as bit by bit.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from bench.base.errors import ProfileError
from bench.profile.model.channels import lane_layout
from bench.profile.rules.channels import map_faults

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.profile.model import LaneChannels, Node, Output

    Octets = NDArray[np.uint8]
    Whole = NDArray[np.int64]
    Rows = NDArray[np.void]

__all__ = ["CHANNEL", "ChannelMap", "dark_payload", "level_payload"]

CHANNEL = np.dtype(
    [
        ("lane", "i8"),
        ("device", "i8"),
        ("channel", "i8"),  # its index in the device
        ("name", "i8"),  # index into `ChannelMap.names`
        ("first", "i8"),  # first of its bits in the lane
        ("bits", "i8"),
        ("msb_first", "?"),
        ("inverted", "?"),
        ("red", "?"),
    ],
    align=True,
)
"""One channel of a node."""

_TURNED = np.packbits(
    np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1), bitorder="little"
)
"""Every octet with its bits the other way round."""


class _Windows(NamedTuple):
    """The octets that hold a channel: moved up and added, a number that it is part of.

    Attributes:
        at: (octets of the widest window, channels); by so many more than a payload has,
            if the octet must be turned round first.
        up: Bits that each octet is moved up by, of the same shape; -1: outside.
        down: Bits of the number below each channel.
    """

    at: Whole
    up: Whole
    down: Whole


class _Parts(NamedTuple):
    """The same octet by octet, to write with: which channels are parts of it.

    Attributes:
        channel: Of each part.
        up: Its place in the window.
        turned: Parts of which the octet is turned round.
        starts: The first part of each octet.
        octets: Every octet that holds a channel, ascending.
        rest: Bits of those that belong to no channel.
    """

    channel: Whole
    up: Whole
    turned: Whole
    starts: Whole
    octets: Whole
    rest: Octets


class ChannelMap:
    """The channels of one node.

    Attributes:
        node: The node's name.
        octets: Octets of a payload that fills the lanes.
        rows: `CHANNEL` rows by lane, device and channel.
        names: Names of channels; "" stands for none.
        full: int64, the light of each channel at full.

    Raises:
        ProfileError: If the map breaks a rule, for which a checked profile is refused.
    """

    def __init__(self, node: Node) -> None:
        output = node.output
        if faults := map_faults(output):
            raise ProfileError(faults)
        self.node = node.name
        self.octets = output.payload_octets
        self._lane_octets = output.lane_octets
        self._msb_first = output.bit_order == "msb-first"
        self.rows, self.names = _rows(output)
        self.full: Whole = 2 ** self.rows["bits"] - 1

    def __len__(self) -> int:
        return len(self.rows)

    @cached_property
    def places(self) -> Whole:
        """Bits of each channel in the payload, its most significant one first.

        Of shape (channels, bits of the widest); -1 past the bits of a narrower one.
        """
        k = np.arange(int(self.rows["bits"].max(initial=0)))
        bits = self.rows["bits"][:, None]
        step = np.where(self.rows["msb_first"][:, None], k, bits - 1 - k)
        in_lane = self.rows["first"][:, None] + step
        if not self._msb_first:
            in_lane ^= 7  # within its octet, the other way round
        lane = 8 * self._lane_octets * self.rows["lane"][:, None]
        return np.where(k < bits, lane + in_lane, -1)

    def decode(self, payloads: Octets) -> Whole:
        """The light of every channel.

        Args:
            payloads: uint8 of shape (packets, octets).

        Returns:
            int64 of shape (packets, channels).
        """
        at, _, down = self._windows
        if at.max(initial=0) >= self.octets:
            payloads = np.concatenate([payloads, _TURNED[payloads]], axis=1)
        held = np.zeros((len(payloads), len(self)), np.int64)
        for octets, factors in zip(at, self._factors, strict=True):
            held += payloads[:, octets] * factors
        held >>= down
        held &= self.full
        return np.where(self.rows["inverted"], self.full - held, held)

    def encode(
        self, light: NDArray[np.float64] | Whole, onto: Octets | None = None
    ) -> Octets:
        """Payloads that hold this light.

        Args:
            light: Of shape (packets, channels): whole numbers as `decode` gives them,
                or shares of full, 0 to 1, which are rounded down.
            onto: Payloads whose bits that belong to no channel are kept; zeros unless
                given.

        Returns:
            uint8 of shape (packets, octets).

        Raises:
            ValueError: If light is below nothing or above full.
        """
        parts = self._parts
        window = self.held(light) << self._windows.down
        # What is cut off here is for other octets of the window.
        octets = (window[:, parts.channel] >> parts.up).astype(np.uint8)
        octets[:, parts.turned] = _TURNED[octets[:, parts.turned]]
        shape = (len(window), self.octets)
        payloads = np.zeros(shape, np.uint8) if onto is None else onto.copy()
        payloads[:, parts.octets] &= parts.rest
        payloads[:, parts.octets] |= np.bitwise_or.reduceat(
            octets, parts.starts, axis=1
        )
        return payloads

    def held(self, light: NDArray[np.float64] | Whole) -> Whole:
        """What the channels' bits hold for some light; see `encode`."""
        whole = np.issubdtype(light.dtype, np.integer)
        levels = light if whole else np.floor(light * self.full)
        if not ((levels >= 0) & (levels <= self.full)).all():
            raise ValueError("light below nothing or above full")
        levels = levels.astype(np.int64)
        return np.where(self.rows["inverted"], self.full - levels, levels)

    @cached_property
    def _windows(self) -> _Windows:
        # A channel of which the most significant bit comes first is a part of its
        # octets read as one big-endian number, any other of a little-endian one; in
        # either the bits of an octet must be counted from the same end as those of a
        # channel, or else it is turned round.
        rows, big = self.rows, self.rows["msb_first"]
        at, into = np.divmod(rows["first"], 8)
        at += self._lane_octets * rows["lane"] + self.octets * (big != self._msb_first)
        size = (into + rows["bits"] + 7) // 8
        k = np.arange(int(size.max(initial=0)))[:, None]
        up = np.where(k < size, 8 * np.where(big, size - 1 - k, k), -1)
        down = np.where(big, 8 * size - into - rows["bits"], into)
        return _Windows(np.where(k < size, at + k, at), up, down)

    @cached_property
    def _factors(self) -> Whole:
        """What octets are multiplied with to be moved up; 0 outside of a window."""
        up = self._windows.up
        return np.where(up < 0, 0, 1 << np.maximum(up, 0))

    @cached_property
    def _parts(self) -> _Parts:
        at, up, down = self._windows
        inside = np.nonzero(up >= 0)
        octet = at[inside] % max(1, self.octets)
        order = np.argsort(octet, kind="stable")
        k, channel = inside[0][order], inside[1][order]
        turned = np.flatnonzero(at[k, channel] >= self.octets)
        taken = ((self.full << down)[channel] >> up[k, channel]).astype(np.uint8)
        taken[turned] = _TURNED[taken[turned]]
        octets, starts = np.unique(octet[order], return_index=True)
        rest = ~np.bitwise_or.reduceat(taken, starts)
        return _Parts(channel, up[k, channel], turned, starts, octets, rest)


def level_payload(node: Node, share: float) -> bytes:
    """A payload that sets every channel of a node to a share of full light.

    Args:
        node: The node.
        share: 0 to 1; each channel's light is rounded down.
    """
    channels = ChannelMap(node)
    return channels.encode(np.full((1, len(channels)), float(share))).tobytes()


def dark_payload(node: Node) -> bytes:
    """A payload that makes no light: no channel does, whatever its polarity."""
    return level_payload(node, 0.0)


# --- rows -----------------------------------------------------------------------------


def _rows(output: Output) -> tuple[Rows, list[str]]:
    """The channels of all lanes, and their names."""
    names: list[str] = []
    common = _lane_rows(output, None, names)
    of_lane = dict.fromkeys(range(output.lanes), common)
    for exception in output.channel.lane:
        own = _lane_rows(output, exception, names)
        of_lane.update(dict.fromkeys(exception.lanes, own))
    rows = np.concatenate(list(of_lane.values()))
    rows["lane"] = np.repeat(list(of_lane), [len(own) for own in of_lane.values()])
    return rows, names


def _lane_rows(
    output: Output, exception: LaneChannels | None, names: list[str]
) -> Rows:
    """The channels of one lane, lane 0 unless told otherwise."""
    layout = lane_layout(output, exception)
    channels = layout.channels
    names += {one.name: None for one in channels if one.name not in names}
    rows = np.zeros((layout.devices, len(channels)), CHANNEL)
    for key in ("first", "bits", "msb_first", "inverted", "red"):
        rows[key] = [getattr(one, key) for one in channels]
    rows["name"] = [names.index(one.name) for one in channels]
    rows["channel"] = np.arange(len(channels))
    rows["device"] = np.arange(layout.devices)[:, None]
    register = rows["device"]
    if layout.last_out:
        register = layout.devices - 1 - register
    rows["first"] += layout.start + layout.register_bits * register
    return rows.reshape(-1)
