"""How packets begin and end, for the parser: what a node does with each.

Turns and reasons are those of `bench/wire/decoder.py`.
"""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.examine import (
    SOUND,
    examine,
    is_ours,
    is_sync,
    number_of,
    unstuff,
)
from bench.kernels.node.records import (
    BY_SILENCE,
    BY_SYMBOL,
    DEAF,
    FORWARD,
    HUNT,
    INSIDE,
    MARKER,
    NO_RECEIVE_BUFFER,
    OCTET,
    RESCAN,
    SILENT,
    TIMEOUT,
    WRONG_SIZE,
)
from bench.kernels.node.views import (
    mark,
    receive_buffer_at,
    slot,
    span,
    survivor_at,
)
from bench.kernels.node.work import drop, sync
from bench.kernels.pointers import copy

__all__ = ["begin", "complete", "hunt_after", "reject", "rest"]


@melted
def begin(spec, node, at, body):
    """A packet begins: it has a receive buffer if one is free now."""
    node.start = at
    node.body = body
    node.goal = body + spec.head
    node.headed = 0
    buffers = spec.receive_buffers + spec.buffer_bias
    node.buffer_free = node.received - node.returned < buffers


@melted
def rest(spec, node):
    """The initial mode, with no packet."""
    inside = spec.delimiter == OCTET or spec.delimiter == SILENT
    node.mode = INSIDE if inside else HUNT
    node.start = -1


@part
def hunt_after(node, place):
    """HUNT from just after a place, over symbols already seen."""
    node.mode = HUNT
    node.start = -1
    node.scan = place + 1
    while node.mark > 0 and mark(node, node.mark - 1).at > place:
        node.mark -= 1


@part
def complete(spec, node, ns, body_end, revealed):
    """Examine a packet that is all there; 1 if it is sound and for this node."""
    packet = survivor_at(node, node.body)
    size = body_end - node.body
    if spec.delimiter == OCTET:
        size, fault = unstuff(spec, node, packet, size, node.scratch_at)
        packet = node.scratch_at
        if fault != SOUND:
            reject(spec, node, ns, node.scan, fault, revealed)
            return 0
    ours = size >= spec.head + spec.least + spec.tail
    ours = ours and is_ours(spec, node, packet, size)
    # Nothing follows from the check of a foreign packet when parsing goes on after it.
    check_too = ours or spec.resync != FORWARD
    fault = examine(spec, node, packet, size, check_too)
    if fault != SOUND:
        reject(spec, node, ns, node.scan, fault, revealed)
        return 0
    if ours:
        _receive(spec, node, ns, packet, size)
    rest(spec, node)
    return 1 if ours else 0


@part
def _receive(spec, node, ns, packet, size):
    """A sound packet for this node: into its receive buffer, or dropped."""
    start = _line_place(node, node.start)
    end = _line_place(node, node.scan - 1) + 1
    if _is_deaf(spec, node, packet, size):
        return
    if spec.blackout_ns:
        node.dark_due_ns = ns + spec.blackout_ns
    if is_sync(spec, node, packet, size):
        sync(node)
        return
    payload = size - spec.head - spec.tail
    at = packet + spec.head
    if spec.window >= 0:
        at += spec.window
        payload = min(payload - spec.window, spec.payload_octets)
    if payload > spec.payload_octets or payload < spec.payload_least:
        drop(node, ns, start, end, WRONG_SIZE)
    elif not node.buffer_free:
        drop(node, ns, start, end, NO_RECEIVE_BUFFER)
    else:
        buffer = receive_buffer_at(spec, node, node.received)
        copy(at, buffer, payload)
        place = slot(spec, node, node.received)
        place.at = start
        place.place = end
        node.received += 1
        if node.received - node.picked > spec.waiting_most:
            node.received = node.picked


@melted
def _is_deaf(spec, node, packet, size):
    """Whether the node lets a sound packet pass unheard; a good one never does."""
    node.sound += 1
    sequence = number_of(spec, packet, size)
    ahead = (sequence - node.last_sequence - 1) % spec.sequence_modulus
    if (
        ahead >= spec.sequence_most
        or node.sound > spec.packets_most
        or node.errors >= spec.errors_most
    ):
        return True
    node.last_sequence = sequence
    return False


@part
def reject(spec, node, ns, end, reason, revealed):
    """Report what is no packet, and find the mode after it."""
    node.errors += 1
    start = node.start
    first = _line_place(node, start)
    drop(node, ns, first, _line_place(node, end - 1) + 1, reason)
    rest(spec, node)
    if spec.resync == TIMEOUT:
        if revealed != BY_SILENCE:
            node.mode = DEAF
    elif spec.delimiter == OCTET and revealed == BY_SYMBOL:
        node.mode = HUNT
    elif spec.delimiter == SILENT and revealed != BY_SILENCE:
        node.mode = DEAF
    if spec.resync == RESCAN and spec.delimiter == MARKER:
        hunt_after(node, start)


@part
def _line_place(node, at):
    """Where on the line a survivor came from; asked mostly of late ones."""
    k = node.spans - 1
    while span(node, k).at > at:
        k -= 1
    return span(node, k).place + (at - span(node, k).at)
