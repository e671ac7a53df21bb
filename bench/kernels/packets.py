"""Building and stuffing packets.

A packet is built around a payload that is already in its place: the octets that never
change come from a blank, then the numbers, then the check over the octets as they now
are.  Stuffing writes the packet to the line, its delimiters included.
"""

from __future__ import annotations

from collections import namedtuple

import numpy as np

from bench.kernels.checks import compute
from bench.kernels.jit import inner

__all__ = ["COBS", "ESCAPED", "PLAIN", "SHAPE", "Packets", "build", "stuff"]

PLAIN, COBS, ESCAPED = range(3)

_FULL_GROUP = 254
"""Octets of a COBS group that no zero ends; its count is 255 (Cheshire, Baker 1999)."""

SHAPE = np.dtype(
    [
        ("head", "i8"),  # octets before the payload
        ("tail", "i8"),  # and after it
        ("address", "i8", 3),  # place, size, whether the low octet comes first
        ("sequence", "i8", 3),
        ("length", "i8", 3),
        ("check", "i8", 3),
        ("length_adds", "i8"),
        ("check_start", "i8"),
        ("check_end", "i8"),  # 0: the end of the packet
        ("stuffing", "i8"),
        ("delimiter", "i8"),  # ends the packet on the line; -1: nothing does
        ("leading", "i8"),  # whether it comes before the packet as well
        ("escape", "i8"),
    ],
    align=True,
)
"""Where things lie.  Places are counted from the packet's start, and from its end where
they are negative; a number of size 0 is not there."""

Packets = namedtuple("Packets", ["shape", "blank", "escapes", "check", "tables"])
"""`SHAPE` of shape (1,); uint8, head and tail with every literal in its place; int64 of
shape (256,), what follows the escape for an octet that must be replaced, or -1; `CHECK`
of shape (1,) and its tables."""


@inner
def _put(number, value, out, at, octets):
    """Write a number at its place in a packet that begins at `at`."""
    place = at + number[0]
    if number[0] < 0:
        place += octets
    size = number[1]
    for k in range(size):
        shift = 8 * k if number[2] else 8 * (size - 1 - k)
        out[place + k] = np.uint8((value >> np.uint64(shift)) & np.uint64(255))


@inner
def build(packets, address, sequence, out, at, payload_octets):
    """Complete the packet at out[at:] whose payload is already there.

    Args:
        packets: A `Packets`.
        address: Whom it is for.
        sequence: Its number, cut to the size of the field.
        out: uint8.
        at: Where the packet begins; its payload lies `head` octets on.
        payload_octets: Octets of payload.

    Returns:
        Octets of the packet.
    """
    shape = packets.shape[0]
    octets = shape.head + payload_octets + shape.tail
    for k in range(shape.head):
        out[at + k] = packets.blank[k]
    for k in range(shape.tail):
        out[at + shape.head + payload_octets + k] = packets.blank[shape.head + k]
    _put(shape.address, np.uint64(address), out, at, octets)
    _put(shape.sequence, np.uint64(sequence), out, at, octets)
    length = np.uint64(payload_octets + shape.length_adds)
    _put(shape.length, length, out, at, octets)
    if shape.check[1] > 0:
        start = at + shape.check_start
        if shape.check_start < 0:
            start += octets
        end = at + shape.check_end
        if shape.check_end <= 0:
            end += octets
        value = compute(packets.check[0], packets.tables, out, start, end)
        _put(shape.check, value, out, at, octets)
    return octets


@inner
def _cobs(plain, octets, out, at):
    """Write the groups of a packet; a full group at its end stands alone."""
    count = at
    at += 1
    for k in range(octets):
        if plain[k] != 0:
            out[at] = plain[k]
            at += 1
        full = at - count > _FULL_GROUP
        if plain[k] == 0 or (full and k + 1 < octets):
            out[count] = np.uint8(at - count)
            count = at
            at += 1
    out[count] = np.uint8(at - count)
    return at


@inner
def stuff(packets, plain, octets, out, at):
    """Write plain[:octets] to the line at out[at:]; returns the place after it."""
    shape = packets.shape[0]
    if shape.leading:
        out[at] = np.uint8(shape.delimiter)
        at += 1
    if shape.stuffing == COBS:
        at = _cobs(plain, octets, out, at)
    elif shape.stuffing == ESCAPED:
        for k in range(octets):
            code = packets.escapes[plain[k]]
            if code >= 0:
                out[at] = np.uint8(shape.escape)
                out[at + 1] = np.uint8(code)
                at += 2
            else:
                out[at] = plain[k]
                at += 1
    else:
        for k in range(octets):
            out[at + k] = plain[k]
        at += octets
    if shape.delimiter >= 0:
        out[at] = np.uint8(shape.delimiter)
        at += 1
    return at
