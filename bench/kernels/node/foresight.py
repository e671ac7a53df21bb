"""What the parser will wait for, told from characters that are still to come.

On a calm stretch of the line every character will be accepted, in order, so what lies
ahead can be read from it.  `look_ahead` puts the parser off until there is something
for it to do; foreign packets go by without it where nothing follows from them.  The
parser then lags behind what was taken, until `catch_up`.  Should a character be lost
first, `lose` wakes the parser up.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import part
from bench.kernels.node.examine import SOUND, examine, examine_head, is_ours
from bench.kernels.node.parser import give_octets
from bench.kernels.node.records import FORWARD, HUNT, INSIDE, MARKER, MATCH, OCTET
from bench.kernels.node.views import line_octet, span, survivor
from bench.kernels.pointers import octet_at

__all__ = ["catch_up", "look_ahead"]

_AHEAD = np.int64(32)
"""How far to look for what the parser waits for: a loss makes the look worthless."""

_PACKETS = 64
"""Foreign packets that are looked past at once, for the same reason."""


@part
def look_ahead(spec, node):
    """Put `need` off to the next octet that the parser can do anything with.

    Outside a packet that is the first octet of a marker or a delimiter; within a marker
    that goes on as it should, the end of the head; within a packet that only a
    delimiter ends, that.
    """
    if node.mark < node.marks:
        return
    if node.mode == MATCH:
        if _marker_follows(spec, node):
            node.need = node.goal
        return
    hunts = node.mode == HUNT and (spec.delimiter == MARKER or spec.delimiter == OCTET)
    waits = node.mode == INSIDE and spec.delimiter == OCTET and node.start >= 0
    first = node.i - (node.accepted - node.taken)
    if not (hunts or waits) or first < 0 or _is_broken(node, first):
        return
    wanted = spec.marker_first if spec.delimiter == MARKER else spec.delimiter_octet
    passes = spec.delimiter == MARKER and spec.resync == FORWARD
    at = first
    passed = first
    for _ in range(_PACKETS):
        end = min(node.calm_end, max(at, node.i) + _AHEAD)
        while at < end and line_octet(node, at) != wanted:
            at += 1
        size = _foreign(spec, node, at) if passes and at < end else 0
        if size == 0:
            break
        at += size
        passed = at
    node.ahead = 1
    node.need = node.taken + at - first + 1
    if passed > first:
        node.passed = node.taken + passed - first
    if waits:
        node.need = min(node.need, node.body + spec.longest_raw + 1)


@part
def catch_up(spec, node):
    """Tell the parser of the foreign packets that went by without it."""
    if node.passed == 0:
        return
    if node.taken < node.passed:
        # In the midst of them: the parser goes through what was taken.  It finds no
        # packet for this node, so when it does that does not matter.
        give_octets(spec, node, node.now_ns)
        return
    node.scan = node.passed
    node.passed = 0


@part
def _is_broken(node, first):
    """Whether what lies in the FIFO did not come from the line just before `i`.

    A character that was lost breaks it, even before the next one comes in.
    """
    if node.accepted == node.taken:
        return False
    last = span(node, node.spans - 1)
    return (
        last.at > node.taken
        or last.place + node.taken - last.at != node.first_place + first
    )


@part
def _foreign(spec, node, at):
    """The size of a foreign packet on a calm stretch, which nothing follows from; or 0.

    Args:
        spec: `SPEC`.
        node: `NODE`.
        at: Where it would begin, an index into the line.
    """
    if at + spec.head > node.calm_end or spec.address_at < 0:
        return np.int64(0)
    packet = node.line_octets_at + at
    for k in range(spec.marker_octets):
        if octet_at(packet + k) != octet_at(node.marker_at + k):
            return np.int64(0)
    if is_ours(spec, node, packet, spec.head):
        return np.int64(0)
    fault, payload = examine_head(spec, node, packet)
    size = spec.head + payload + spec.tail
    if fault != SOUND or at + size > node.calm_end:
        return np.int64(0)
    if examine(spec, node, packet, size, False) != SOUND:
        return np.int64(0)
    return size


@part
def _marker_follows(spec, node):
    """Whether the rest of a marker is already in the FIFO."""
    if node.body + spec.marker_octets > node.accepted:
        return False
    for k in range(node.taken - node.body, spec.marker_octets):
        if survivor(node, node.body + k) != octet_at(node.marker_at + k):
            return False
    return True
