"""The channel map in C: which bits of a lane are whose light.

A lane's bits are counted in the order of its octets.  Lanes that hold the same are told
of once; where some differ, each map has a number and every lane the number of its map.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.report.fields import channel_maps
from bench.report.header.lines import Part, number, number_list
from bench.report.header.names import identifiers

if TYPE_CHECKING:
    from bench.profile.model import Output
    from bench.profile.model.channels import LaneLayout

_LONGEST = 16
"""Characters of a channel's part of a name: what the names around it leave."""


def channels_part(prefix: str, output: Output) -> list[str]:
    """The channel map of one output."""
    part = Part(prefix, "the channel map")
    part.say("lanes, devices, channels and bits count from 0; the bits of a lane are")
    part.say("those of its octets in the payload, one octet after another")
    maps = channel_maps(output)
    part.define("MAPS", number(len(maps)), "lanes of one map hold the same")
    if len(maps) > 1:
        of_lane = {lane: at for at, (_, lanes) in enumerate(maps) for lane in lanes}
        each = [of_lane[lane] for lane in range(output.lanes)]
        part.define("LANE_MAP_LIST", number_list(each), "the map of each lane")
    for at, (layout, _) in enumerate(maps):
        _map(part, layout, f"_{at}" if len(maps) > 1 else "")
    return part.lines()


def _map(part: Part, layout: LaneLayout, which: str) -> None:
    """One map."""
    name = f"MAP{which}"
    part.define(f"{name}_DEVICES", number(layout.devices), "of a lane")
    part.define(f"{name}_REGISTER_BITS", number(layout.register_bits), "of a device")
    part.define(f"{name}_START_BIT", number(layout.start), "of the first register")
    last = "1: device 0 has the last register, 0: the first"
    part.either(f"{name}_DEVICE_0_LAST", layout.last_out, last)
    part.define(f"{name}_CHANNELS", number(len(layout.channels)), "of a device")
    if not layout.channels:
        return
    if _alike(layout):
        one = layout.channels[0]
        part.define(f"{name}_CHANNEL_BITS", number(one.bits), "one after another")
        part.either(f"{name}_MSB_FIRST", one.msb_first, "1: high bit first")
        part.either(f"{name}_INVERTED", one.inverted, "1: bright at zero")
        red = [at for at, channel in enumerate(layout.channels) if channel.red]
        part.define(f"{name}_REDS", number(len(red)), "channels that are red")
        if red:
            part.define(f"{name}_RED_LIST", number_list(red))
    else:
        _named(part, layout, which)


def _alike(layout: LaneLayout) -> bool:
    """Whether the channels of a device are equal, unnamed, and without gaps."""
    one = layout.channels[0]
    return all(
        channel.name in ("", "red")
        and channel.first == at * one.bits
        and (channel.bits, channel.msb_first, channel.inverted)
        == (one.bits, one.msb_first, one.inverted)
        for at, channel in enumerate(layout.channels)
    )


def _named(part: Part, layout: LaneLayout, which: str) -> None:
    """Channels that have each a name."""
    names = identifiers([one.name for one in layout.channels], _LONGEST)
    for at, (own, channel) in enumerate(zip(names, layout.channels, strict=True)):
        name = f"CHANNEL{which}_{own}"
        part.define(f"{name}_INDEX", number(at), channel.name)
        part.define(f"{name}_FIRST", number(channel.first), "bit of its register")
        part.define(f"{name}_BITS", number(channel.bits))
        part.either(f"{name}_MSB_FIRST", channel.msb_first, "1: high bit first")
        part.either(f"{name}_INVERTED", channel.inverted, "1: bright at zero")
        part.either(f"{name}_RED", channel.red, "1: saturated red")
