"""The packets that each node is to show, in the order of the line.

They are appended, begin to wait when their last bit has come (or the sync that releases
them), and are passed over when they have waited for too long.
"""

from __future__ import annotations

from bench.kernels.jit import kernel, part
from bench.kernels.match.records import (
    EVERY_NODE,
    IS_LOST,
    LONG_AGO,
    NEVER,
    PASSED,
    PENDING,
    WAITING,
)
from bench.kernels.words import word_at

__all__ = ["place", "queue", "settle"]


@kernel
def place(rows, at, octets, last_bit_ns):
    """Let new packets know where their payload is kept.

    Args:
        rows: `SENT` records; `payload_at` is moved on by `at`.
        at: Place in the log's payload of that of this chunk.
        octets: Size of that.
        last_bit_ns: int64; their last bits, once more, close together.

    Returns:
        How many rows are done; fewer than all if one points beyond its payload.
    """
    for i in range(rows.shape[0]):
        row = rows[i]
        if row.payload_at >= 0:
            if row.payload_octets < 0 or row.payload_at + row.payload_octets > octets:
                return i
            row.payload_at += at
        last_bit_ns[i] = row.last_bit_ns
    return rows.shape[0]


# --- appended -------------------------------------------------------------------------


@part
def _release(node, ring, before, ns):
    """Slots before a counter need wait for no later sync."""
    while node.held < before:
        ring[node.held & (ring.shape[0] - 1)].release_ns = ns
        node.held += 1


@part
def _append(rules, node, ring, row, sent):
    slot = ring[node.end & (ring.shape[0] - 1)]
    slot.sent = sent
    slot.last_bit_ns = row.last_bit_ns
    slot.release_ns = row.last_bit_ns
    slot.at = row.payload_at
    slot.octets = row.payload_octets
    if node.size >= 0 and row.to == EVERY_NODE:
        # What a packet is too short for is left off: such a node shows nothing.
        start = min(node.start, row.payload_octets)
        slot.at += start
        slot.octets = min(node.size, row.payload_octets - start)
    slot.state = PENDING
    slot.alike = 0
    slot.note = 0
    node.end += 1
    if node.sync:
        slot.release_ns = NEVER
        # So many packets after it the node holds a newer one.
        _release(node, ring, node.end - rules.window, row.last_bit_ns)


@part
def _full(node, ring):
    return node.watched and node.end - node.oldest == ring.shape[0]


@part
def _sync(nodes, slots, last_bit_ns):
    """A sync releases what nodes hold for one."""
    for n in range(nodes.shape[0]):
        if nodes[n].sync:
            _release(nodes[n], slots[n], nodes[n].end, last_bit_ns)


@kernel
def queue(rules, nodes, slots, rows, start, first):
    """Append new packets to the rings of the nodes that are to show them.

    Args:
        rules: `RULES` record.
        nodes: `NODE` records.
        slots: `SLOT` records of shape (nodes, size).
        rows: `SENT` records, `payload_at` a place in the log's payload.
        start: The first of them to append.
        first: Place in the log of rows[0].

    Returns:
        How many rows are done; fewer than all if a ring is full.
    """
    for i in range(start, rows.shape[0]):
        row = rows[i]
        if row.payload_at < 0:
            if row.to == EVERY_NODE:
                _sync(nodes, slots, row.last_bit_ns)
        elif row.to == EVERY_NODE:
            for n in range(nodes.shape[0]):
                if _full(nodes[n], slots[n]):
                    return i
            for n in range(nodes.shape[0]):
                if nodes[n].watched:
                    _append(rules, nodes[n], slots[n], row, first + i)
        elif row.to >= 0 and nodes[row.to].watched:
            if _full(nodes[row.to], slots[row.to]):
                return i
            _append(rules, nodes[row.to], slots[row.to], row, first + i)
    return rows.shape[0]


# --- waiting --------------------------------------------------------------------------


@part
def equal(left, at, right, start, octets):
    """Whether two runs of octets are the same."""
    k = 0
    while k + 8 <= octets:
        if word_at(left, at + k) != word_at(right, start + k):
            return False
        k += 8
    while k < octets:
        if left[at + k] != right[start + k]:
            return False
        k += 1
    return True


@part
def tell(rules, out, kind, node, k, slot, b):
    """Write what became of slot k, or of burst b that concerns it."""
    row = out[rules.outcomes]
    row.kind = kind
    row.node = node.index
    row.slot = k
    row.sent = slot.sent
    row.burst = b
    row.alike = slot.alike
    row.bits = 0
    row.other = -1
    rules.outcomes += 1


@part
def advance(node, ring):
    """Let `next` be the first waiting slot, or the first pending one."""
    mask = ring.shape[0] - 1
    while node.next < node.pulled and ring[node.next & mask].state != WAITING:
        node.next += 1


@part
def pass_over(rules, node, ring, out):
    """The first waiting slot is lost, unless it turns up."""
    slot = ring[node.next & (ring.shape[0] - 1)]
    slot.state = PASSED
    tell(rules, out, IS_LOST, node, node.next, slot, -1)
    node.waiting -= 1
    advance(node, ring)


@part
def expire(rules, node, ring, before_ns, out):
    """Pass over what has waited since before an instant."""
    mask = ring.shape[0] - 1
    while node.waiting and ring[node.next & mask].last_bit_ns < before_ns:
        pass_over(rules, node, ring, out)


@part
def _mark_alike(rules, node, ring, payload, slot):
    """Mark a slot and one that waits already, if they hold the same."""
    mask = ring.shape[0] - 1
    start = slot.at - rules.payload_first
    for k in range(node.pulled - 1, node.next - 1, -1):
        other = ring[k & mask]
        if other.state == WAITING and other.octets == slot.octets:
            there = other.at - rules.payload_first
            if equal(payload, there, payload, start, slot.octets):
                slot.alike = 1
                other.alike = 1
                return


@part
def pull(rules, node, ring, payload, now_ns, floor_ns, out):
    """Packets that are released, or whose last bit came before a floor, wait."""
    mask = ring.shape[0] - 1
    while node.pulled < node.end:
        slot = ring[node.pulled & mask]
        if slot.release_ns > now_ns and slot.last_bit_ns >= floor_ns:
            break
        expire(rules, node, ring, slot.release_ns - rules.memory_ns, out)
        if node.waiting and rules.by_content:
            _mark_alike(rules, node, ring, payload, slot)
        slot.state = WAITING
        node.pulled += 1
        node.waiting += 1
        advance(node, ring)
        if node.waiting > rules.window:
            pass_over(rules, node, ring, out)


@kernel
def settle(rules, nodes, slots, payload, until_ns, floor_ns, out):
    """Decide what no burst to come can change.

    Args:
        rules: `RULES` record; `outcomes` is moved on.
        nodes: `NODE` records.
        slots: `SLOT` records of shape (nodes, size).
        payload: uint8, the log's payload from `rules.payload_first` on.
        until_ns: Packets that are released by then begin to wait: every burst to come
            is later.
        floor_ns: Packets from before then are lost, and forgotten: no burst to come
            remembers them.  After `until_ns`, at the end: those that wait are lost, and
            those that do not stay pending.
        out: `OUTCOME` records, one more for each undecided slot.
    """
    for n in range(nodes.shape[0]):
        node = nodes[n]
        ring = slots[n]
        mask = ring.shape[0] - 1
        kept_ns = floor_ns if floor_ns <= until_ns else LONG_AGO
        pull(rules, node, ring, payload, until_ns, kept_ns, out)
        expire(rules, node, ring, floor_ns, out)
        while node.oldest < node.next and (
            node.oldest < node.next - rules.window
            or ring[node.oldest & mask].last_bit_ns < floor_ns
        ):
            node.oldest += 1
