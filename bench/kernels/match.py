"""Matching bursts with the packets that wait for them, node by node.

What is done here has its meaning written down in `bench.judge.match`.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import kernel
from bench.kernels.rings import (
    CORRUPT,
    IS_CORRUPT,
    IS_LATER,
    IS_REPEATED,
    IS_SHIFTED,
    IS_SHOWN,
    IS_STRAY,
    PASSED,
    SHOWN,
    WAITING,
    advance,
    equal,
    expire,
    pass_over,
    pull,
    tell,
)

__all__ = ["ASK", "NOBODY", "beyond", "match"]

ASK, NOBODY = -2, -1
"""Whose contents a burst holds: not yet looked up; nobody's."""


@kernel
def beyond(shown, octets):
    """The first burst that points beyond so many octets of data, or -1."""
    for b in range(shown.shape[0]):
        burst = shown[b]
        size = burst.data_octets
        if size < 0 or (size > 0 and burst.data_at < 0):
            return b
        if size > 0 and burst.data_at + size > octets:
            return b
    return -1


@kernel
def _differing(left, at, right, start, octets):
    """How many bits of two runs of octets differ."""
    total = 0
    for k in range(octets):
        bits = np.int64(left[at + k] ^ right[start + k])
        while bits:
            bits &= bits - 1
            total += 1
    return total


@kernel
def _holds(rules, payload, slot, data, burst):
    """Whether a slot's packet is what a burst held."""
    if slot.octets != burst.data_octets:
        return False
    start = slot.at - rules.payload_first
    return equal(payload, start, data, burst.data_at, slot.octets)


@kernel
def _find_waiting(rules, node, ring, payload, data, burst):
    """The first waiting slot that a burst may be, or -1."""
    mask = ring.shape[0] - 1
    for k in range(node.next, node.pulled):
        slot = ring[k & mask]
        if slot.state == WAITING and (
            not rules.by_content or _holds(rules, payload, slot, data, burst)
        ):
            return k
    return -1


@kernel
def _find_recent(rules, node, ring, payload, data, burst, since_ns):
    """The last decided slot that a burst may be, one shown before one passed over."""
    mask = ring.shape[0] - 1
    passed = -1
    for k in range(node.pulled - 1, max(node.oldest, node.next - rules.window) - 1, -1):
        slot = ring[k & mask]
        if slot.last_bit_ns < since_ns:
            break
        if slot.state == WAITING or (slot.state == PASSED and passed >= 0):
            continue
        if _holds(rules, payload, slot, data, burst):
            if slot.state != PASSED:
                return k
            passed = k
    return passed


@kernel
def _find_nearest(rules, node, ring, payload, data, burst):
    """The waiting slot that differs from a burst in the fewest bits, and in how many.

    Octets that only one of them has count eight bits each.
    """
    mask = ring.shape[0] - 1
    best = -1
    fewest = 0
    for k in range(node.next, node.pulled):
        slot = ring[k & mask]
        if slot.state != WAITING:
            continue
        start = slot.at - rules.payload_first
        common = min(slot.octets, burst.data_octets)
        bits = 8 * abs(slot.octets - burst.data_octets)
        bits += _differing(payload, start, data, burst.data_at, common)
        if best < 0 or bits < fewest:
            best = k
            fewest = bits
    return best, fewest


@kernel
def _tell_stray(rules, out, node, owner, b):
    row = out[rules.outcomes]
    row.kind = IS_STRAY
    row.node = node.index
    row.slot = -1
    row.sent = owner
    row.burst = b
    row.alike = 0
    row.bits = 0
    rules.outcomes += 1


@kernel
def _spoil(rules, node, ring, k, bits, b, out):
    """Waiting slot k was shown by burst b, but for some bits."""
    slot = ring[k & (ring.shape[0] - 1)]
    slot.state = CORRUPT
    node.waiting -= 1
    advance(node, ring)
    tell(rules, out, IS_CORRUPT, node, k, slot, b)
    out[rules.outcomes - 1].bits = bits


@kernel
def _explain(rules, node, ring, payload, data, burst, b, owner, out):
    """A burst that no waiting packet equals; False: whose contents must be asked."""
    if not rules.by_content:
        _tell_stray(rules, out, node, NOBODY, b)
        return True
    now_ns = burst.first_bit_ns if rules.now_ns < 0 else rules.now_ns
    since_ns = now_ns - rules.memory_ns
    k = _find_recent(rules, node, ring, payload, data, burst, since_ns)
    if k >= 0:
        slot = ring[k & (ring.shape[0] - 1)]
        kind = IS_LATER if slot.state == PASSED else IS_REPEATED
        if kind == IS_LATER:
            slot.state = SHOWN
        tell(rules, out, kind, node, k, slot, b)
        return True
    if owner == ASK:
        return False
    if owner >= 0 or node.waiting == 0:
        _tell_stray(rules, out, node, owner, b)
        return True
    k, bits = _find_nearest(rules, node, ring, payload, data, burst)
    _spoil(rules, node, ring, k, bits, b, out)
    return True


@kernel
def _shifted(rules, node, ring, payload, data, burst, b, out):
    """A burst that was never latched: what it would have shown goes on waiting."""
    if not rules.by_content:
        return
    k = _find_waiting(rules, node, ring, payload, data, burst)
    if k >= 0:
        slot = ring[k & (ring.shape[0] - 1)]
        tell(rules, out, IS_SHIFTED, node, k, slot, b)


@kernel
def match(rules, nodes, slots, payload, shown, data, owners, out):
    """Decide bursts from `rules.bursts` on, up to one whose owner must be asked.

    Args:
        rules: `RULES` record; `bursts` and `outcomes` are moved on.
        nodes: `NODE` records.
        slots: `SLOT` records of shape (nodes, size).
        payload: uint8, the log's payload from `rules.payload_first` on.
        shown: `SHOWN` records.
        data: uint8, what they held.
        owners: int64, one a burst: the place in the log of a packet for somebody else
            that it equals, NOBODY, or ASK; an ASK that matters stops the kernel there.
        out: `OUTCOME` records: one a burst, and one more for each undecided slot.

    Returns:
        Whether all bursts are decided.
    """
    # The usual path stands here and not in a function of its own: passing all these
    # arrays on costs as much as the whole of it.
    for b in range(rules.bursts, shown.shape[0]):
        burst = shown[b]
        node = nodes[burst.node]
        ring = slots[burst.node]
        now_ns = burst.first_bit_ns if rules.now_ns < 0 else rules.now_ns
        pull(rules, node, ring, payload, now_ns, out)
        expire(rules, node, ring, now_ns - rules.memory_ns, out)
        if burst.shown_ns < 0:
            _shifted(rules, node, ring, payload, data, burst, b, out)
            rules.bursts += 1
            continue
        node.alive = node.pulled
        k = _find_waiting(rules, node, ring, payload, data, burst)
        if k >= 0:
            # Those that waited before it are lost, unless they turn up.
            while node.next < k:
                pass_over(rules, node, ring, out)
            slot = ring[k & (ring.shape[0] - 1)]
            slot.state = SHOWN
            node.waiting -= 1
            advance(node, ring)
            tell(rules, out, IS_SHOWN, node, k, slot, b)
        elif not _explain(rules, node, ring, payload, data, burst, b, owners[b], out):
            return False
        rules.bursts += 1
    return True
