"""One packet that is all there: unstuffed, and examined for its first fault.

A packet is the address of its first octet, and its size.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.checks import CHECK, compute_at
from bench.kernels.jit import part
from bench.kernels.node.records import (
    ABORTED,
    BAD_CHECK,
    BAD_LENGTH,
    BAD_LITERAL,
    BAD_STUFFING,
    COBS,
    ESCAPED,
    TOO_SHORT,
    UNSTUFFED,
)
from bench.kernels.pointers import integer_at, octet_at, put_octet, record_at

__all__ = [
    "SOUND",
    "answers",
    "examine",
    "examine_head",
    "is_ours",
    "is_sync",
    "number_of",
    "unstuff",
]

SOUND = 0
_FLIPPED_BIT = 0x20
_FULL = 255


@part
def _number(address, size, big):
    """An unsigned field."""
    value = 0
    for k in range(size):
        place = k if big else size - 1 - k
        value = (value << 8) | np.int64(octet_at(address + place))
    return value


@part
def _place(at, size):
    """A place of the layout, counted from the first octet of a packet."""
    return at if at >= 0 else size + at


@part
def is_ours(spec, node, packet, size):
    """Whether a packet is for this node."""
    if spec.address_size == 0:
        return True
    return answers(spec, node, _address(spec, packet, size))


@part
def is_sync(spec, node, packet, size):
    """Whether a packet that is this node's makes it show what it holds."""
    if not spec.on_sync or spec.address_size == 0:
        return False
    return is_broadcast(node, _address(spec, packet, size))


@part
def answers(spec, node, address):
    """Whether an address is one of this node's."""
    if (address & spec.mask) == (spec.address & spec.mask):
        return True
    return is_broadcast(node, address)


@part
def is_broadcast(node, address):
    """Whether every node answers to an address."""
    for k in range(node.broadcasts):
        if integer_at(node.broadcast_at + 8 * k) == address:
            return True
    return False


@part
def _address(spec, packet, size):
    at = packet + _place(spec.address_at, size)
    return _number(at, spec.address_size, spec.address_big)


@part
def number_of(spec, packet, size):
    """A packet's own number; 0 where it has none."""
    at = packet + _place(spec.sequence_at, size)
    return _number(at, spec.sequence_size, spec.sequence_big)


@part
def _literals_hold(node, packet, size, head_only):
    """Whether the octets that must be there are there."""
    for k in range(node.literals):
        at = integer_at(node.literals_at + 16 * k)
        if at < 0 and head_only:
            continue
        octet = np.int64(octet_at(packet + _place(at, size)))
        if octet != integer_at(node.literals_at + 16 * k + 8):
            return False
    return True


@part
def examine_head(spec, node, packet):
    """The fault of the octets before the payload, and the payload they announce."""
    if not _literals_hold(node, packet, spec.head, True):
        return BAD_LITERAL, 0
    payload = spec.least
    if spec.length_size and spec.length_at >= 0:
        at = packet + spec.length_at
        said = _number(at, spec.length_size, spec.length_big)
        payload = said - spec.length_adds
    if payload < spec.least or payload > spec.most:
        return BAD_LENGTH, 0
    return SOUND, payload


@part
def examine(spec, node, packet, size, check_too):
    """The first fault of a whole packet, or SOUND."""
    if size < spec.head + spec.least + spec.tail:
        return TOO_SHORT
    if not _literals_hold(node, packet, size, False):
        return BAD_LITERAL
    payload = size - spec.head - spec.tail
    if spec.length_size:
        at = packet + _place(spec.length_at, size)
        said = _number(at, spec.length_size, spec.length_big)
        if said != payload + spec.length_adds:
            return BAD_LENGTH
    if payload < spec.least or payload > spec.most:
        return BAD_LENGTH
    if check_too and spec.check_size and not _check_holds(spec, node, packet, size):
        return BAD_CHECK
    return SOUND


@part
def _check_holds(spec, node, packet, size):
    start = _place(spec.check_start, size)
    end = size
    if spec.check_end != 0:
        end = _place(spec.check_end, size)
    at = packet + _place(spec.check_at, size)
    said = _number(at, spec.check_size, spec.check_big)
    check = record_at(node.check_at, CHECK)
    return np.uint64(said) == compute_at(
        check, node.tables_at, packet + start, end - start
    )


@part
def unstuff(spec, node, raw, size, out):
    """The packet between two delimiters, written to `out`; its size and its fault."""
    if spec.stuffing == COBS:
        return _uncobs(raw, size, out)
    made = 0
    at = 0
    while at < size:
        octet = np.int64(octet_at(raw + at))
        at += 1
        if spec.stuffing != UNSTUFFED and octet == spec.escape:
            escaped = spec.stuffing == ESCAPED
            if at == size:
                return made, BAD_STUFFING if escaped else ABORTED
            octet = np.int64(octet_at(raw + at))
            at += 1
            if escaped:
                octet = integer_at(node.codes_at + 8 * octet)
                if octet < 0:
                    return made, BAD_STUFFING
            else:
                octet ^= _FLIPPED_BIT
        put_octet(out + made, octet)
        made += 1
    return made, SOUND


@part
def _uncobs(raw, size, out):
    """Consistent overhead byte stuffing, undone."""
    made = 0
    at = 0
    while at < size:
        length = np.int64(octet_at(raw + at))
        if length == 0 or at + length > size:
            return made, BAD_STUFFING
        for k in range(1, length):
            put_octet(out + made, octet_at(raw + at + k))
            made += 1
        at += length
        if length < _FULL and at < size:
            put_octet(out + made, 0)
            made += 1
    return made, SOUND
