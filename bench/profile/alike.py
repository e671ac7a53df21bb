"""What is alike in a profile: nodes that differ in name alone, lanes with one map."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.profile.model.channels import lane_layout

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.profile.model import Node, Output
    from bench.profile.model.channels import LaneLayout


def alike(nodes: Sequence[Node]) -> list[list[Node]]:
    """Nodes in groups that differ in name and address only, in the profile's order."""
    groups: list[list[Node]] = []
    for node in nodes:
        for group in groups:
            first = group[0]
            if (first.processor, first.output) == (node.processor, node.output):
                group.append(node)
                break
        else:
            groups.append([node])
    return groups


def channel_maps(output: Output) -> list[tuple[LaneLayout, list[int]]]:
    """What the devices of the lanes hold, each with its lanes; the common one first."""
    exceptions = output.channel.lane
    other = {lane for exception in exceptions for lane in exception.lanes}
    common = [lane for lane in range(output.lanes) if lane not in other]
    maps = [(lane_layout(output), common)] if common else []
    return maps + [
        (lane_layout(output, exception), sorted(exception.lanes))
        for exception in exceptions
    ]


def channels_of(output: Output) -> int:
    """Channels of a node."""
    return sum(
        len(lanes) * layout.devices * len(layout.channels)
        for layout, lanes in channel_maps(output)
    )
