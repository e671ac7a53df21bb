"""The packets that each node is to show, in the order of the line.

A node's packets stand in a ring: PENDING (its last bit has not yet come), WAITING, then
SHOWN, CORRUPT or PASSED (over: lost unless it turns up).  The counters of a ring only
grow; a slot lies at its counter modulo the size, which is a power of two.

What is done here has its meaning written down in `bench.judge.match`.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import kernel
from bench.kernels.words import word_at

__all__ = ["NODE", "OUTCOME", "RULES", "SLOT", "place", "queue", "settle"]

PENDING, WAITING, SHOWN, CORRUPT, PASSED = range(5)

IS_SHOWN, IS_LOST, IS_CORRUPT, IS_STRAY, IS_REPEATED, IS_LATER, IS_SHIFTED = range(7)
"""Kinds of outcome.  IS_LATER: shown after all, out of order; IS_SHIFTED: a burst that
was never latched held this packet, which goes on waiting."""

EVERY_NODE = -2  # as the columns have it

RULES = np.dtype(
    [
        ("window", "i8"),  # packets of a node that wait, or are remembered, at most
        ("memory_ns", "i8"),  # older packets are forgotten
        ("by_content", "i8"),  # 0: by order alone
        ("now_ns", "i8"),  # of every burst; -1: its own first bit
        ("payload_first", "i8"),  # place of payload[0]
        ("bursts", "i8"),  # done so far in this chunk
        ("outcomes", "i8"),  # written so far
    ],
    align=True,
)

NODE = np.dtype(
    [
        ("index", "i8"),
        ("watched", "i8"),  # 0: nobody sees what it shows
        ("oldest", "i8"),  # first slot that is kept
        ("next", "i8"),  # no slot before it is waiting
        ("pulled", "i8"),  # first pending slot
        ("end", "i8"),  # one past the last slot
        ("waiting", "i8"),  # how many are
        ("alive", "i8"),  # `pulled` when it last showed anything; -1 for never
    ],
    align=True,
)

SLOT = np.dtype(
    [
        ("sent", "i8"),  # place in the log
        ("last_bit_ns", "i8"),
        ("at", "i8"),  # place of its payload
        ("octets", "i8"),
        ("state", "i8"),
        ("alike", "i8"),  # 1: another one waited that held the same
        ("note", "i8"),  # the caller's
    ],
    align=True,
)

OUTCOME = np.dtype(
    [
        ("kind", "i8"),
        ("node", "i8"),
        ("slot", "i8"),  # counter of the slot, -1 for none
        ("sent", "i8"),  # place in the log, -1 for none
        ("burst", "i8"),  # index in the chunk, -1 for none
        ("alike", "i8"),  # of the slot
        ("bits", "i8"),  # CORRUPT: how many differ
    ],
    align=True,
)


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


@kernel
def _append(node, ring, row, sent):
    slot = ring[node.end & (ring.shape[0] - 1)]
    slot.sent = sent
    slot.last_bit_ns = row.last_bit_ns
    slot.at = row.payload_at
    slot.octets = row.payload_octets
    slot.state = PENDING
    slot.alike = 0
    slot.note = 0
    node.end += 1


@kernel
def _full(node, ring):
    return node.watched and node.end - node.oldest == ring.shape[0]


@kernel
def queue(nodes, slots, rows, start, first):
    """Append new packets to the rings of the nodes that are to show them.

    Args:
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
            continue
        if row.to == EVERY_NODE:
            for n in range(nodes.shape[0]):
                if _full(nodes[n], slots[n]):
                    return i
            for n in range(nodes.shape[0]):
                if nodes[n].watched:
                    _append(nodes[n], slots[n], row, first + i)
        elif row.to >= 0 and nodes[row.to].watched:
            if _full(nodes[row.to], slots[row.to]):
                return i
            _append(nodes[row.to], slots[row.to], row, first + i)
    return rows.shape[0]


@kernel
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


@kernel
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
    rules.outcomes += 1


@kernel
def advance(node, ring):
    """Let `next` be the first waiting slot, or the first pending one."""
    mask = ring.shape[0] - 1
    while node.next < node.pulled and ring[node.next & mask].state != WAITING:
        node.next += 1


@kernel
def pass_over(rules, node, ring, out):
    """The first waiting slot is lost, unless it turns up."""
    slot = ring[node.next & (ring.shape[0] - 1)]
    slot.state = PASSED
    tell(rules, out, IS_LOST, node, node.next, slot, -1)
    node.waiting -= 1
    advance(node, ring)


@kernel
def expire(rules, node, ring, before_ns, out):
    """Pass over what has waited since before an instant."""
    mask = ring.shape[0] - 1
    while node.waiting and ring[node.next & mask].last_bit_ns < before_ns:
        pass_over(rules, node, ring, out)


@kernel
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


@kernel
def pull(rules, node, ring, payload, now_ns, out):
    """Packets whose last bit has come begin to wait."""
    mask = ring.shape[0] - 1
    while node.pulled < node.end:
        slot = ring[node.pulled & mask]
        if slot.last_bit_ns > now_ns:
            break
        expire(rules, node, ring, slot.last_bit_ns - rules.memory_ns, out)
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
        until_ns: Packets whose last bit came by then begin to wait: every burst to come
            is later.
        floor_ns: Packets from before then are lost, and forgotten: no burst to come
            remembers them.
        out: `OUTCOME` records, one more for each undecided slot.
    """
    for n in range(nodes.shape[0]):
        node = nodes[n]
        ring = slots[n]
        mask = ring.shape[0] - 1
        pull(rules, node, ring, payload, until_ns, out)
        expire(rules, node, ring, floor_ns, out)
        while node.oldest < node.next and (
            node.oldest < node.next - rules.window
            or ring[node.oldest & mask].last_bit_ns < floor_ns
        ):
            node.oldest += 1
