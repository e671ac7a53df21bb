"""Golden port words: what a node's rearranging loop has to make of a payload.

This is the one home of what is told to others about port words; it works in numpy, for
any output that a profile can describe, simulated or not.  The kernel rearranges for
speed, numbers lanes instead of port bits, and is held against it.

A lane is a row of levels, one for each clock, in the order of time.  On a clocked lane
they are the bits of its octets in `bit_order`, and end with the lane's last bit, so
that what fills up its last octet is never sent.  On a UART lane every octet is a start
bit 0, its eight bits from the lowest up, and a stop bit 1, whatever `bit_order` says.

A port word holds the levels of all lanes at one clock: lane k on bit `port_bits[k]`, or
on bit k.  Every other bit is 0, the strobe's as well, which is no matter of a burst.
Hardware shifters and UARTs are given octets and need no port words.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.profile.model import Node, Output, Profile

    Octets = NDArray[np.uint8]

__all__ = ["has_port_words", "lane_levels", "port_bits", "port_words", "window"]


def has_port_words(output: Output) -> bool:
    """Whether firmware makes port words, and not hardware bits of octets by itself."""
    return output.method in ("dma", "timer")


def port_bits(output: Output) -> tuple[int, ...]:
    """The port-word bit of each lane."""
    return output.port_bits or tuple(range(output.lanes))


def window(profile: Profile, node: Node) -> slice:
    """The octets of a packet's payload that are a node's own.

    All of them, unless the payload is shared: then those from the node's address on,
    the first octet being 1.
    """
    if not profile.packet.shared:
        return slice(0, node.output.payload_octets)
    first = max(0, node.address - 1)
    return slice(first, first + node.output.payload_octets)


def lane_levels(output: Output, payload: bytes) -> Octets:
    """What every lane carries, clock by clock.

    Args:
        output: The output stage.
        payload: The node's octets, lane 0 first; just as many as fill the lanes.

    Returns:
        uint8 of shape (lanes, clocks), 0 or 1.

    Raises:
        ValueError: If they do not fill the lanes.
    """
    if len(payload) != output.payload_octets:
        raise ValueError(f"{len(payload)} octets do not fill the lanes")
    octets = np.frombuffer(payload, np.uint8).reshape(output.lanes, -1)
    if output.signal == "uart":
        levels = np.ones((output.lanes, output.lane_octets, 10), np.uint8)
        levels[:, :, 0] = 0
        bits = np.unpackbits(octets, axis=1, bitorder="little")
        levels[:, :, 1:9] = bits.reshape(output.lanes, -1, 8)
        return levels.reshape(output.lanes, -1)
    high_first = output.bit_order == "msb-first"
    bits = np.unpackbits(octets, axis=1, bitorder="big" if high_first else "little")
    return bits[:, : output.lane_bits]


def port_words(output: Output, payload: bytes) -> Octets:
    """The port words of a burst.

    Args:
        output: The output stage; see `has_port_words`.
        payload: As for `lane_levels`.

    Returns:
        uint8 of shape (clocks, octets of a word), the lowest octet of a word first.

    Raises:
        ValueError: If the payload does not fill the lanes, or the output has no port
            words.
    """
    if not has_port_words(output):
        raise ValueError(f"an output by {output.method} has no port words")
    levels = lane_levels(output, payload)
    square = np.zeros((levels.shape[1], 8 * output.word_octets), np.uint8)
    square[:, list(port_bits(output))] = levels.T
    return np.packbits(square, axis=1, bitorder="little")
