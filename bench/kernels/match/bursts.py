"""Matching bursts with the packets that wait for them, node by node."""

from __future__ import annotations

from bench.kernels.jit import kernel, part
from bench.kernels.match.odd import explain, find_waiting, rest
from bench.kernels.match.records import IS_SHIFTED, IS_SHOWN, LONG_AGO, SHOWN
from bench.kernels.match.rings import advance, expire, pass_over, pull, tell

__all__ = ["beyond", "match"]


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


@part
def _shifted(rules, node, ring, payload, data, burst, b, out):
    """A burst that was never latched: what it would have shown goes on waiting."""
    if not rules.by_content:
        return
    k = find_waiting(rules, node, ring, payload, data, burst)
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
            that it equals, NOBODY, DARK where it is darkness after silence, or ASK; an
            ASK that matters stops the kernel there.
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
        pull(rules, node, ring, payload, now_ns, LONG_AGO, out)
        expire(rules, node, ring, now_ns - rules.memory_ns, out)
        if burst.burst_ns >= 0 and burst.burst_ns == node.burst_ns:
            rest(rules, node, ring, payload, data, burst, b, out)
            rules.bursts += 1
            continue
        node.part = -1
        if burst.shown_ns < 0:
            _shifted(rules, node, ring, payload, data, burst, b, out)
            node.burst_ns = burst.burst_ns
            rules.bursts += 1
            continue
        k = find_waiting(rules, node, ring, payload, data, burst)
        if k >= 0:
            # Those that waited before it are lost, unless they turn up.
            while node.next < k:
                pass_over(rules, node, ring, out)
            slot = ring[k & (ring.shape[0] - 1)]
            slot.state = SHOWN
            node.waiting -= 1
            node.alive = node.pulled
            node.part = k
            node.heard_ns = max(node.heard_ns, slot.last_bit_ns)
            advance(node, ring)
            tell(rules, out, IS_SHOWN, node, k, slot, b)
        elif not explain(rules, node, ring, payload, data, burst, b, owners[b], out):
            return False
        node.burst_ns = burst.burst_ns
        rules.bursts += 1
    return True
