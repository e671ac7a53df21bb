"""What the payloads of golden vectors hold: edge cases chosen on purpose, and random.

Each case is there for a mistake that a rearranging loop can make, and its sentence says
what it shows: all lanes at rest, each lane alone, one lane after another clock by
clock, single bits where octets of a lane, octets of a port word and whole lanes meet.
Random payloads are drawn by counter, so that more of them leave the first as they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from bench.base.seeds import stream_key
from bench.node.golden import port_bits
from bench.wire.format import Delimiter, Stuffing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile.model import Output
    from bench.wire.format import Format

__all__ = ["Filling", "edge_fillings", "random_filling"]

_BITS = (1, 7, 8, 15, 16, 31, 32)
"""Bits of a lane beside which a count, an octet or a register may end."""


class Filling(NamedTuple):
    """The octets of one node.

    Attributes:
        name: Small letters, digits and dashes.
        why: What it shows, in a few words.
        octets: As many as fill the lanes, lane 0 first.
    """

    name: str
    why: str
    octets: bytes


def edge_fillings(output: Output, form: Format) -> Iterator[Filling]:
    """All payloads that are chosen on purpose, the plainest first.

    Args:
        output: The output stage.
        form: The packet format, for octets that mean something on the line.
    """
    size = output.payload_octets
    yield Filling("zeros", "every bit 0", bytes(size))
    yield Filling("ones", "every bit 1", b"\xff" * size)
    yield from _alone(output)
    yield Filling("fives", "every other bit, from the second on", b"\x55" * size)
    yield Filling("tens", "every other bit, from the first on", b"\xaa" * size)
    yield from _between_lanes(output)
    yield Filling("ramp", "octet k holds k", bytes(k % 256 for k in range(size)))
    yield _walk_of_lanes(output)
    walk = bytes(1 << (k % 8) for k in range(size))
    yield Filling("walk-in-octets", "octet k holds bit k modulo 8 alone", walk)
    yield from _single_bits(output)
    yield from _filler(output)
    yield from _line_octets(output, form)


def random_filling(output: Output, seed: int, number: int) -> Filling:
    """One payload of random octets.

    Args:
        output: The output stage.
        seed: What it depends on.
        number: Which one, from 0.
    """
    size = output.payload_octets
    key = np.array(stream_key(seed, "vectors"), np.uint64)
    counter = np.array([0, number, 0, 0], np.uint64)
    words = np.random.Philox(key=key, counter=counter).random_raw(-(-size // 8))
    octets = words.astype("<u8").tobytes()[:size]
    return Filling(f"random-{number}", f"random octets, number {number}", octets)


# --- chosen on purpose ----------------------------------------------------------------


def _alone(output: Output) -> Iterator[Filling]:
    """Each lane alone."""
    size = output.lane_octets
    if output.lanes == 1:
        return
    for lane in range(output.lanes):
        octets = bytearray(output.payload_octets)
        octets[lane * size : (lane + 1) * size] = b"\xff" * size
        yield Filling(f"lane-{lane}", f"lane {lane} alone", bytes(octets))


def _between_lanes(output: Output) -> Iterator[Filling]:
    """Neighbours that differ at every clock."""
    if output.lanes == 1:
        return
    even, odd = b"\xff" * output.lane_octets, bytes(output.lane_octets)
    octets = b"".join(odd if lane % 2 else even for lane in range(output.lanes))
    yield Filling("even-lanes", "every other lane, from lane 0 on", octets)


def _walk_of_lanes(output: Output) -> Filling:
    """One lane at every clock, one after another."""
    octets = bytearray(output.payload_octets)
    for clock in range(_bits_of_lane(output)):
        _set(octets, output, clock % output.lanes, clock)
    return Filling("walk-of-lanes", "at clock t lane t alone, round", bytes(octets))


def _single_bits(output: Output) -> Iterator[Filling]:
    """One bit alone, wherever something begins or ends."""
    for lane, bit in _places(output):
        octets = bytearray(output.payload_octets)
        _set(octets, output, lane, bit)
        what = f"bit {bit} of lane {lane} alone"
        yield Filling(f"lane-{lane}-bit-{bit}", what, bytes(octets))


def _places(output: Output) -> list[tuple[int, int]]:
    """Lane and bit, each place once."""
    last = _bits_of_lane(output) - 1
    lanes = output.lanes
    places = [(0, 0), *((0, bit) for bit in _BITS if bit < last), (0, last)]
    # Lanes on either side of where one octet of a port word ends.
    bits = port_bits(output)
    for lane in range(lanes - 1):
        if bits[lane] // 8 != bits[lane + 1] // 8:
            places += [(lane, 0), (lane + 1, 0)]
    places += [(1, 0)] if lanes > 1 else []
    places += [(lanes - 1, 0), (lanes - 1, last)]
    return list(dict.fromkeys(places))


def _filler(output: Output) -> Iterator[Filling]:
    """What fills up the last octet of a lane, and is never sent."""
    spare = 8 * output.lane_octets - output.lane_bits
    if not spare or output.signal == "uart":
        return
    octets = bytearray(output.payload_octets)
    for lane in range(output.lanes):
        for bit in range(output.lane_bits, output.lane_bits + spare):
            _set(octets, output, lane, bit)
    yield Filling("filler", "only bits that are never sent", bytes(octets))


def _line_octets(output: Output, form: Format) -> Iterator[Filling]:
    """Octets that mean something on the line, as payload."""
    delimiting, unstuffing = form.delimiting, form.unstuffing
    special = bytearray(delimiting.octets)
    if unstuffing.kind in (Stuffing.ESCAPE, Stuffing.FLIP):
        special.append(unstuffing.escape)
    size = output.payload_octets
    if delimiting.kind in (Delimiter.MARKER, Delimiter.OCTET) and special:
        octets = (bytes(special) * size)[:size]
        what = "marker, delimiter and escape as payload"
        yield Filling("line-octets", what, octets)


def _bits_of_lane(output: Output) -> int:
    """Bits of a lane that are sent."""
    uart = output.signal == "uart"
    return 8 * output.lane_octets if uart else output.lane_bits


def _set(octets: bytearray, output: Output, lane: int, bit: int) -> None:
    """Set the bit of a lane that is sent at a place in the order of time."""
    high_first = output.signal != "uart" and output.bit_order == "msb-first"
    at = lane * output.lane_octets + bit // 8
    octets[at] |= 0x80 >> bit % 8 if high_first else 1 << bit % 8
