"""The channel map of an output: which bits of a lane are whose light.

A lane is a string of bits: its octets in the order of the payload, the bits of an octet
counted from its most significant one if `output.bit_order` is msb-first, else from its
least significant one.  On a clocked lane that is the order in which they are shifted
out.  A UART lane sends the low bit of an octet first whatever the order; its bits are
counted as on a clocked lane all the same.

The string begins with the header, which is no channel.  Then come the registers of the
devices, one after another, whole octets or not; bits that fill up the last octet belong
to nobody.  Within a register a channel is a run of bits.  Lanes, devices, channels and
bits are counted from 0.

`bits`, `order`, `inverted` and `red` alone describe devices that hold as many equal
channels as fit their register; a `layout` names each channel.  What single lanes have
different stands in `lane`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field

from bench.profile.model.section import Section
from bench.profile.quantities import StrictInt

if TYPE_CHECKING:
    from bench.profile.model.node import Output

PATTERN_WORDS = (
    "node",
    "lane",
    "device",
    "channel",
    "each",
    "all",
    "off",
    "dim",
    "full",
)
"""Words of patterns by channel; no channel of such a name could be told from them."""

Width = Annotated[StrictInt, Field(ge=1, le=32)]
Register = Annotated[StrictInt, Field(ge=1, le=65536)]
BitOrder = Literal["msb-first", "lsb-first"]
Out = Literal["first-out", "last-out"]
RedOnes = tuple[Annotated[StrictInt, Field(ge=0, lt=65536)], ...]


class DeviceChannel(Section):
    """One channel of a device; what it does not state is as for the others."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]{0,31}$")] = Field(
        description="What patterns and reports call it.", examples=["amber"]
    )
    first: Annotated[StrictInt, Field(ge=0, lt=65536)] | None = Field(
        None,
        description="Its first bit in the device's register, 0 being the bit that is "
        "shifted out first; the one after the channel before it unless stated.",
    )
    bits: Width | None = Field(None, description="Its bits.")
    order: BitOrder | None = Field(None, description="Which of its bits comes first.")
    inverted: bool | None = Field(
        None, description="Whether it is bright at zero instead of at full."
    )
    red: bool = Field(False, description="Whether its light is saturated red.")


Layout = tuple[DeviceChannel, ...]


class LaneChannels(Section):
    """What some lanes have different; what is not stated is as for the others."""

    lanes: Annotated[
        tuple[Annotated[StrictInt, Field(ge=0, lt=128)], ...], Field(min_length=1)
    ] = Field(description="The lanes, counted from 0.")
    devices: Annotated[StrictInt, Field(ge=0, le=4096)] | None = Field(
        None,
        description="Devices in the chain. Bits that none of them holds are the first "
        "ones after the header, which are shifted through; on a UART lane the last.",
    )
    register_bits: Register | None = Field(
        None, description="Bits of the register of one device."
    )
    device_0: Out | None = Field(None, description="See `channel.device_0`.")
    bits: Width | None = Field(None, description="Bits of one channel.")
    order: BitOrder | None = Field(
        None, description="Which bit of a channel comes first."
    )
    inverted: bool | None = Field(
        None, description="Whether a channel is bright at zero instead of at full."
    )
    red: RedOnes | None = Field(
        None, description="Without a layout: indexes of the red channels of a device."
    )
    layout: Layout | None = Field(
        None, description="The channels of one device; none of them: as many as fit."
    )


class Channel(Section):
    """The channel map: what the channels of the devices are."""

    bits: Width = Field(8, description="Bits of one channel.")
    order: BitOrder = Field(
        "msb-first", description="Which bit of a channel is shifted out first."
    )
    inverted: bool = Field(
        False, description="Whether a channel is bright at zero instead of at full."
    )
    red: RedOnes = Field(
        (),
        description="Without a layout: indexes of the red channels of a device "
        "(saturated red).",
    )
    device_0: Out = Field(
        "first-out",
        description="Which register device 0 is: the one whose bits are shifted out "
        "first, at the far end of a chain, or the last one, next to the node.",
    )
    layout: Layout = Field(
        (),
        description="The channels of one device; without it, as many as its register "
        "holds.",
    )
    lane: tuple[LaneChannels, ...] = Field(
        (), description="What single lanes have different."
    )


# --- everything stated ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlacedChannel:
    """A channel of a device with everything stated; `first` counts in the register."""

    name: str
    first: int
    bits: int
    msb_first: bool
    inverted: bool
    red: bool


@dataclass(frozen=True, slots=True)
class LaneLayout:
    """The devices of a lane with everything stated.

    Attributes:
        devices: How many.
        register_bits: Bits of each.
        start: The lane's bit with which the first register begins.
        last_out: Whether device 0 has the last register instead of the first.
        channels: Those of each device; without a layout the red ones are called red
            and the others have no name.
    """

    devices: int
    register_bits: int
    start: int
    last_out: bool
    channels: tuple[PlacedChannel, ...]


def lane_layout(output: Output, exception: LaneChannels | None = None) -> LaneLayout:
    """The devices of the lanes of an exception, or of all other lanes.

    Args:
        output: Whose lanes they are.
        exception: A member of `output.channel.lane`.
    """
    said = _Said(output.channel, exception)
    devices = output.devices
    register_bits = output.register_bits
    if exception is not None and exception.devices is not None:
        devices = exception.devices
    if exception is not None and exception.register_bits is not None:
        register_bits = exception.register_bits
    start = output.header_bits
    if output.signal == "clocked":
        start = output.lane_bits - devices * register_bits
    named: Layout = said("layout")
    channels = _named(named, said) if named else _equal(register_bits, said)
    last_out = said("device_0") == "last-out"
    return LaneLayout(devices, register_bits, start, last_out, channels)


class _Said:
    """What is said of a lane's channels: by its exception, else for all lanes."""

    def __init__(self, channel: Channel, exception: LaneChannels | None) -> None:
        self._channel = channel
        self._exception = exception

    def __call__(self, key: str) -> Any:
        own = None if self._exception is None else getattr(self._exception, key)
        return getattr(self._channel, key) if own is None else own


def _named(layout: Layout, said: _Said) -> tuple[PlacedChannel, ...]:
    """The channels of a layout."""
    placed, after = [], 0
    for one in layout:
        first = after if one.first is None else one.first
        bits = said("bits") if one.bits is None else one.bits
        order = one.order or said("order")
        inverted = said("inverted") if one.inverted is None else one.inverted
        msb_first = order == "msb-first"
        placed.append(
            PlacedChannel(one.name, first, bits, msb_first, inverted, one.red)
        )
        after = first + bits
    return tuple(placed)


def _equal(register_bits: int, said: _Said) -> tuple[PlacedChannel, ...]:
    """As many equal channels as fit a register."""
    bits: int = said("bits")
    msb_first, inverted = said("order") == "msb-first", said("inverted")
    red = set(said("red"))
    return tuple(
        PlacedChannel(
            "red" if k in red else "", k * bits, bits, msb_first, inverted, k in red
        )
        for k in range(register_bits // bits)
    )
