"""Stuffing: taking out of a packet what must not occur inside it, and putting it back.

Three ways, on whole packets without their delimiters:

* COBS (S. Cheshire and M. Baker, "Consistent overhead byte stuffing", 1999): each group
  of octets up to the next zero is led by its length, so that no zero is left.  Where a
  packet ends with a full group of 254 octets, some senders add an empty one: both
  spellings are read, the shorter is written.
* ESCAPE (RFC 1055): an escape octet and a code from a table.
* FLIP (RFC 1662): an escape octet and the octet with one bit turned over.

What cannot have been written by a sender is bad stuffing.  RFC 1055's own receiver
keeps whatever follows an escape; here that is bad, since a test bench looks for it.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from bench.base.columns import Drop
from bench.wire.format import Stuffing

if TYPE_CHECKING:
    from bench.wire.format import Unstuffing

FLIPPED_BIT = 0x20
"""The bit that RFC 1662 turns over in an escaped octet."""

_FULL = 255
"""The length of a COBS group that is not followed by a zero: 254 octets and itself."""


class StuffingError(Exception):
    """Octets that no sender can have written; `reason` says in which way."""

    def __init__(self, reason: Drop) -> None:
        self.reason = reason
        super().__init__(reason.name)


def stuff(rule: Unstuffing, packet: bytes) -> bytes:
    """A packet as it goes on the line between its delimiters."""
    if rule.kind == Stuffing.COBS:
        return _cobs(packet)
    if rule.kind == Stuffing.NONE:
        return packet
    pairs = rule.pairs
    if rule.kind == Stuffing.FLIP:
        pairs = tuple((octet ^ FLIPPED_BIT, octet) for octet in rule.flipped)
    codes = {bytes([octet]): bytes([rule.escape, code]) for code, octet in pairs}
    stuffed = b"[" + b"".join(re.escape(octet) for octet in codes) + b"]"
    return re.sub(stuffed, lambda match: codes[match[0]], packet) if codes else packet


def unstuff(rule: Unstuffing, raw: bytes) -> bytes:
    """The packet that lay between two delimiters.

    Raises:
        StuffingError: If no sender can have written it: `Drop.BAD_STUFFING`, or
            `Drop.ABORTED` for a FLIP packet that ends with an escape.
    """
    if rule.kind == Stuffing.NONE:
        return raw
    if rule.kind == Stuffing.COBS:
        return _uncobs(raw)
    flip = rule.kind == Stuffing.FLIP
    octets = dict(rule.pairs)
    escape = bytes([rule.escape])
    out = bytearray()
    at = 0
    while (found := raw.find(escape, at)) >= 0:
        out += raw[at:found]
        if found + 1 == len(raw):
            raise StuffingError(Drop.ABORTED if flip else Drop.BAD_STUFFING)
        code = raw[found + 1]
        if not flip and code not in octets:
            raise StuffingError(Drop.BAD_STUFFING)
        out.append(code ^ FLIPPED_BIT if flip else octets[code])
        at = found + 2
    return bytes(out + raw[at:])


def _cobs(packet: bytes) -> bytes:
    out = bytearray()
    groups = packet.split(b"\0")
    for index, group in enumerate(groups, start=1):
        at = 0
        while len(group) - at >= _FULL - 1:
            out.append(_FULL)
            out += group[at : at + _FULL - 1]
            at += _FULL - 1
        # A full group at the very end needs no empty one after it.
        if at == 0 or at < len(group) or index < len(groups):
            out.append(1 + len(group) - at)
            out += group[at:]
    return bytes(out)


def _uncobs(raw: bytes) -> bytes:
    out = bytearray()
    at = 0
    while at < len(raw):
        length = raw[at]
        end = at + length
        if length == 0 or end > len(raw):
            raise StuffingError(Drop.BAD_STUFFING)
        out += raw[at + 1 : end]
        at = end
        if length < _FULL and at < len(raw):
            out.append(0)
    return bytes(out)
