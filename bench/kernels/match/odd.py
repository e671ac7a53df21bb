"""Bursts that no waiting packet equals: repeated, late, dark, stray, corrupt."""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import part
from bench.kernels.match.records import (
    ASK,
    CORRUPT,
    DARK,
    IS_CORRUPT,
    IS_DARK,
    IS_LATER,
    IS_MOVED,
    IS_REPEATED,
    IS_REST,
    IS_STRAY,
    NOBODY,
    PASSED,
    SHOWN,
    WAITING,
)
from bench.kernels.match.rings import advance, equal, tell

__all__ = ["explain", "find_waiting", "rest"]


@part
def _holds(rules, payload, slot, data, burst):
    """Whether a slot's packet is what a burst held."""
    if slot.octets != burst.data_octets:
        return False
    start = slot.at - rules.payload_first
    return equal(payload, start, data, burst.data_at, slot.octets)


@part
def find_waiting(rules, node, ring, payload, data, burst):
    """The first waiting slot that a burst may be, or -1."""
    mask = ring.shape[0] - 1
    for k in range(node.next, node.pulled):
        slot = ring[k & mask]
        if slot.state == WAITING and (
            not rules.by_content or _holds(rules, payload, slot, data, burst)
        ):
            return k
    return -1


@part
def _find_recent(rules, node, ring, payload, data, burst, since_ns):
    """The last decided slot that a burst may be, one shown before one passed over."""
    mask = ring.shape[0] - 1
    passed = -1
    for k in range(node.pulled - 1, max(node.oldest, node.next - rules.window) - 1, -1):
        slot = ring[k & mask]
        if slot.last_bit_ns < since_ns:
            break
        if slot.state == WAITING or not _holds(rules, payload, slot, data, burst):
            continue
        if slot.state != PASSED:
            return k
        if passed < 0:
            passed = k
    return passed


@part
def _find_held(rules, node, ring, payload, data, burst, now_ns):
    """The first packet that a burst may be and that no sync has released, or -1."""
    mask = ring.shape[0] - 1
    for k in range(node.pulled, node.end):
        slot = ring[k & mask]
        if slot.last_bit_ns > now_ns:
            break
        if _holds(rules, payload, slot, data, burst):
            return k
    return -1


@part
def _differing(left, at, right, start, octets):
    """How many bits of two runs of octets differ."""
    total = 0
    for k in range(octets):
        bits = np.int64(left[at + k] ^ right[start + k])
        while bits:
            bits &= bits - 1
            total += 1
    return total


@part
def _find_nearest(rules, node, ring, payload, data, burst):
    """The waiting slot that differs from a burst in the fewest bits, and in how many.

    Octets that only one of them has count eight bits each.  Of a burst with too few
    clocks it is the first one: what the chains held before is in its data.
    """
    mask = ring.shape[0] - 1
    too_few = 0 <= burst.clocks < node.clocks
    best = -1
    fewest = 0
    for k in range(node.next, node.pulled):
        slot = ring[k & mask]
        if slot.state != WAITING or (too_few and best >= 0):
            continue
        start = slot.at - rules.payload_first
        common = min(slot.octets, burst.data_octets)
        bits = 8 * abs(slot.octets - burst.data_octets)
        bits += _differing(payload, start, data, burst.data_at, common)
        if best < 0 or bits < fewest:
            best = k
            fewest = bits
    return best, fewest


@part
def _tell_burst(rules, out, kind, node, sent, b):
    """Write what became of a burst that concerns no slot."""
    row = out[rules.outcomes]
    row.kind = kind
    row.node = node.index
    row.slot = -1
    row.sent = sent
    row.burst = b
    row.alike = 0
    row.bits = 0
    row.other = -1
    rules.outcomes += 1


@part
def _spoil(rules, node, ring, k, bits, b, out):
    """Waiting slot k was shown by burst b, but for some bits."""
    slot = ring[k & (ring.shape[0] - 1)]
    slot.state = CORRUPT
    node.waiting -= 1
    node.part = k
    node.heard_ns = max(node.heard_ns, slot.last_bit_ns)
    advance(node, ring)
    tell(rules, out, IS_CORRUPT, node, k, slot, b)
    out[rules.outcomes - 1].bits = bits


@part
def explain(rules, node, ring, payload, data, burst, b, owner, out):
    """A burst that no waiting packet equals; False: whose contents must be asked."""
    if node.dark and owner == ASK:
        return False
    if owner == DARK:
        _tell_burst(rules, out, IS_DARK, node, NOBODY, b)
        return True
    node.alive = node.pulled
    if not rules.by_content:
        _tell_burst(rules, out, IS_STRAY, node, NOBODY, b)
        return True
    now_ns = burst.first_bit_ns if rules.now_ns < 0 else rules.now_ns
    since_ns = now_ns - rules.memory_ns
    k = _find_recent(rules, node, ring, payload, data, burst, since_ns)
    if k >= 0:
        slot = ring[k & (ring.shape[0] - 1)]
        kind = IS_LATER if slot.state == PASSED else IS_REPEATED
        if kind == IS_LATER:
            slot.state = SHOWN
            node.heard_ns = max(node.heard_ns, slot.last_bit_ns)
        tell(rules, out, kind, node, k, slot, b)
        return True
    if node.sync:
        k = _find_held(rules, node, ring, payload, data, burst, now_ns)
        if k >= 0:
            slot = ring[k & (ring.shape[0] - 1)]
            _tell_burst(rules, out, IS_STRAY, node, slot.sent, b)
            return True
    if owner == ASK:
        return False
    if owner >= 0 or node.waiting == 0:
        _tell_burst(rules, out, IS_STRAY, node, owner, b)
        return True
    k, bits = _find_nearest(rules, node, ring, payload, data, burst)
    _spoil(rules, node, ring, k, bits, b, out)
    return True


@part
def rest(rules, node, ring, payload, data, burst, b, out):
    """More of the node's last burst: at most, another packet was spoilt by it."""
    mask = ring.shape[0] - 1
    now_ns = burst.first_bit_ns if rules.now_ns < 0 else rules.now_ns
    j = node.part
    k = -1
    if rules.by_content and j >= max(node.oldest, node.next - rules.window):
        taken = ring[j & mask]
        recent = taken.last_bit_ns >= now_ns - rules.memory_ns
        spoilt = recent and taken.state == CORRUPT
        if spoilt and not _holds(rules, payload, taken, data, burst):
            k = find_waiting(rules, node, ring, payload, data, burst)
    if k < 0:
        _tell_burst(rules, out, IS_REST, node, NOBODY, b)
        return
    slot, taken = ring[k & mask], ring[j & mask]
    slot.state = CORRUPT
    taken.state = WAITING
    taken.alike = 0  # it was counted as such
    node.part = k
    node.next = min(node.next, j)
    node.heard_ns = max(node.heard_ns, slot.last_bit_ns)
    advance(node, ring)
    tell(rules, out, IS_MOVED, node, k, slot, b)
    out[rules.outcomes - 1].other = taken.sent
