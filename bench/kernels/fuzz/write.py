"""One piece as octets: a packet is built, spoiled where it is to be, and stuffed."""

from __future__ import annotations

import numpy as np

from bench.kernels.checks import compute
from bench.kernels.jit import aside, inner
from bench.kernels.packets import build, stuff
from bench.kernels.philox import below, block, fill

__all__ = ["noise", "write_piece"]

_INSIDE, _BEFORE, _AFTER = (np.int64(512 * k) for k in range(3))
"""Which of a piece's random octets are for which of its places."""

_WORDS = np.int64(64)
"""Blocks of noise that one piece may draw; its bit errors come from the one after."""


@aside
def _built(packets, address, sequence, out, octets):
    """A sound packet around a payload that is in its place."""
    return build(packets, address, sequence, out, 0, octets)


@aside
def _checked(packets, out, start, end):
    """The value of the check over a span of a packet."""
    return compute(packets.check[0], packets.tables, out, start, end)


@inner
def _put(number, value, out, size):
    """Write a number of a packet at its place."""
    place = number[0]
    if place < 0:
        place += size
    for k in range(number[1]):
        shift = 8 * k if number[2] else 8 * (number[1] - 1 - k)
        out[place + k] = np.uint8((value >> np.uint64(shift)) & np.uint64(255))


@aside
def noise(parts, thing, at, out, first, count):
    """Random octets, of a place in a piece's own noise."""
    for k in range(count):
        word = at + k
        a, b, c, d = block(parts.keys[2, 0], parts.keys[2, 1], thing, word >> 5)
        which = (word >> 3) & 3
        if which == 1:
            a = b
        elif which == 2:
            a = c
        elif which == 3:
            a = d
        out[first + k] = np.uint8((a >> np.uint64(8 * (word & 7))) & np.uint64(255))


@inner
def write_piece(parts, piece, sequence, thing):
    """Write a piece to `wire`.

    Args:
        parts: `Parts`.
        piece: `PIECE`.
        sequence: The number of the packet.
        thing: What its random octets are drawn for.

    Returns:
        Where in `wire` all begins, where the packet proper does, one past the end, and
        bits that were turned over.
    """
    plain, wire = parts.plain, parts.wire
    size = _plain(parts, piece, sequence, thing)
    flips = 0
    if piece.flip_at >= 0 or piece.flips:
        flips = _flip(parts, piece, size, thing)
    shape = parts.packets.shape[0]
    lead = piece.noise_before + max(0, piece.leading) + piece.again + 1
    end = stuff(parts.packets, plain, size, wire, lead)
    if piece.leading < 0 and shape.leading:
        lead += 1
    if piece.trailing < 0 and shape.delimiter >= 0:
        end -= 1
    _spoil_octets(parts, piece, thing, lead, end)
    if piece.cut >= 0:
        end = min(end, lead + piece.cut)
    first, end = _surround(parts, piece, thing, lead, end)
    return first, lead, end, flips


@inner
def _spoil_octets(parts, piece, thing, lead, end):
    """Wrong escapes and random octets in a packet that is stuffed."""
    plan, shape, wire = parts.plan[0], parts.packets.shape[0], parts.wire
    if end <= lead:
        return
    if piece.escape_at >= 0:
        at = lead + min(piece.escape_at, end - lead - 1)
        if plan.cobs:
            wire[at] = np.uint8(piece.escape_octet)
        else:
            wire[at] = np.uint8(shape.escape)
            if at + 1 < end:
                wire[at + 1] = np.uint8(piece.escape_octet)
    if piece.noise_at >= 0:
        at = lead + min(piece.noise_at, end - lead - 1)
        noise(parts, thing, _INSIDE, wire, at, min(piece.noise_octets, end - at))


@inner
def _surround(parts, piece, thing, lead, end):
    """What comes before and after a packet; where all of it begins and ends."""
    shape, wire = parts.packets.shape[0], parts.wire
    first = lead
    again = min(piece.again, end - lead)
    for k in range(again):
        wire[lead - again + k] = wire[lead + k]
    first -= again
    for _ in range(piece.leading):
        first -= 1
        wire[first] = np.uint8(shape.delimiter)
    first -= piece.noise_before
    if piece.noise_before:
        noise(parts, thing, _BEFORE, wire, first, piece.noise_before)
    for _ in range(piece.trailing):
        wire[end] = np.uint8(shape.delimiter)
        end += 1
    if piece.noise_after:
        noise(parts, thing, _AFTER, wire, end, piece.noise_after)
    return first, end + piece.noise_after


@inner
def _plain(parts, piece, sequence, thing):
    """The packet itself, unstuffed, its fields as they are to be; its octets."""
    plan, shape = parts.plan[0], parts.packets.shape[0]
    plain = parts.plain
    payload = max(0, min(piece.payload, plan.piece_most))
    keys, head = parts.keys, shape.head
    fill(keys[1, 0], keys[1, 1], thing, plain[head : head + payload])
    if piece.shell:
        inside = min(plan.payload, payload - head - shape.tail)
        if inside >= 0:
            raw = parts.wire
            for k in range(inside):
                raw[head + k] = plain[head + k]
            size = _built(parts.packets, plan.address, sequence, raw, inside)
            for k in range(size):
                plain[head + k] = raw[k]
    if piece.head_at >= 0:
        _blank_head(parts, piece, payload)
    size = _built(parts.packets, piece.address, sequence, plain, payload)
    if piece.literal:
        at = piece.literal_at if piece.literal_at >= 0 else size + piece.literal_at
        plain[at] ^= np.uint8(piece.literal)
    if piece.length_says >= 0:
        _put(shape.length, np.uint64(piece.length_says), plain, size)
    if shape.check[1] > 0 and (piece.redo or piece.check_xor or piece.check_turn):
        _spoil_check(parts, piece, size)
    return size


@aside
def _blank_head(parts, piece, payload):
    """Put what a packet begins with into a payload."""
    plan, shape = parts.plan[0], parts.packets.shape[0]
    at = shape.head + min(piece.head_at, payload)
    room = shape.head + payload - at
    for k in range(min(piece.head_octets, shape.head, room)):
        octet = parts.packets.blank[k]
        if shape.address[0] == k:
            octet = np.uint8(plan.address & 255)
        elif shape.length[1] > 0 and shape.length[0] <= k:
            # As long as can be, so that most is taken for the rest of it.
            octet = np.uint8(plan.most >> 8 & 255 if k == shape.length[0] else 255)
        parts.plain[at + k] = octet


@aside
def _spoil_check(parts, piece, size):
    """Another value in the check's place."""
    shape, plain = parts.packets.shape[0], parts.plain
    if piece.redo:
        start = shape.check_start + (size if shape.check_start < 0 else 0)
        end = shape.check_end + (size if shape.check_end <= 0 else 0)
        start = max(0, min(size, start + piece.check_from))
        end = max(start, min(size, end + piece.check_to))
        value = _checked(parts.packets, plain, start, end)
        _put(shape.check, value, plain, size)
    at = shape.check[0] + (size if shape.check[0] < 0 else 0)
    width = shape.check[1]
    for _ in range(piece.check_turn % width):
        last = plain[at + width - 1]
        for k in range(width - 1, 0, -1):
            plain[at + k] = plain[at + k - 1]
        plain[at] = last
    for k in range(width):
        plain[at + k] ^= np.uint8((piece.check_xor >> (8 * k)) & 255)


@aside
def _flip(parts, piece, size, thing):
    """Turn bits over, counted as the check takes them in; how many."""
    plan, plain = parts.plan[0], parts.plain
    bits = 8 * (size - plan.marker_octets)
    flipped = 0
    if piece.flip_at >= 0 and bits > 0:
        for k in range(63):
            bit = piece.flip_at + k
            if (piece.flip_mask >> k) & 1 and bit < bits:
                _turn_over(plan, plain, bit)
                flipped += 1
    # Where they are is kept beside, so that no bit is turned over twice.
    taken = parts.edges
    for k in range(min(piece.flips, 64, bits)):
        words = block(parts.keys[2, 0], parts.keys[2, 1], thing, _WORDS + k)
        bit = below(words[0], bits)
        j = 0
        while j < k:
            if taken[j] == bit:
                bit = (bit + 1) % bits
                j = 0
            else:
                j += 1
        taken[k] = bit
        _turn_over(plan, plain, bit)
        flipped += 1
    return flipped


@inner
def _turn_over(plan, plain, bit):
    place = bit & 7 if plan.reflected else 7 - (bit & 7)
    plain[plan.marker_octets + (bit >> 3)] ^= np.uint8(1 << place)
