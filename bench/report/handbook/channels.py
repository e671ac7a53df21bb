"""The channel map on paper: which bits of a lane are whose light."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.report.fields import channel_maps
from bench.report.handbook.document import Table, Words, listed, plural

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.profile.model import Output
    from bench.profile.model.channels import LaneLayout
    from bench.report.handbook.document import Block

_MOST_ROWS = 32
"""So many equal channels of a device are listed one by one."""

_FIRST_ONES = 2
"""So many of more than that are, and the last."""


def channel_blocks(output: Output, whole: str) -> list[Block]:
    """Which bits of a lane are whose light."""
    first = "highest" if output.bit_order == "msb-first" else "lowest"
    words = (
        "Lanes, devices, channels and bits count from 0. The bits of a lane are "
        f"counted through its octets in {whole}, of an octet the {first} bit first"
    )
    if output.signal == "uart":
        words += ", whichever goes out first"
    blocks: list[Block] = [Words(f"{words}.")]
    maps = channel_maps(output)
    for layout, lanes in maps:
        which = "Every lane" if len(maps) == 1 else _lane_names(lanes)
        blocks.append(Words(f"{which}: {_devices(layout, output, whole)}"))
        if layout.channels:
            blocks.append(Table(f"{which}: the channels of one device", *_rows(layout)))
    return blocks


def _lane_names(lanes: Sequence[int]) -> str:
    words = "Lane" if len(lanes) == 1 else "Lanes"
    return f"{words} {listed([str(lane) for lane in lanes])}"


def _devices(layout: LaneLayout, output: Output, whole: str) -> str:
    """Where the register of a device begins, with an example."""
    device = min(1, layout.devices - 1)
    if device < 0:
        return "no devices."
    words = plural(layout.devices, "device")
    register = layout.devices - 1 - device if layout.last_out else device
    begins = layout.start + layout.register_bits * register
    end = "last" if layout.last_out else "first"
    octet, into = divmod(begins, 8)
    return (
        f"{words} of {layout.register_bits} bits; the registers begin with bit "
        f"{layout.start}, device 0 has the {end} one. So device {device} begins with "
        f"bit {begins} of the lane, which is bit {into} of its octet {octet}; of lane "
        f"L that is octet {output.lane_octets} x L + {octet} of {whole}."
    )


def _rows(layout: LaneLayout) -> tuple[Sequence[str], Sequence[Sequence[str]]]:
    """A row a channel, or one for all that are alike."""
    heads = ["channel", "bits of its register", "first", "bright at", "red"]
    named = any(channel.name not in ("", "red") for channel in layout.channels)
    heads += ["name"] * named
    rows = []
    for at, channel in enumerate(layout.channels):
        row = [
            f"{at}",
            f"{channel.first} to {channel.first + channel.bits - 1}",
            "high bit" if channel.msb_first else "low bit",
            "zero" if channel.inverted else "full",
            "yes" if channel.red else "no",
        ]
        rows.append(row + [channel.name] * named)
    if not named and len(rows) > _MOST_ROWS:
        rows = [*rows[:_FIRST_ONES], ["and so on", *[""] * (len(heads) - 1)], rows[-1]]
    return heads, rows
