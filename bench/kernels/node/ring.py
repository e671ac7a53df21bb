"""A ring in memory: arrivals, the interrupt they assert, and laps."""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.fifo import accept, lose
from bench.kernels.node.records import DMA, FAR, PAUSE, SILENCE
from bench.kernels.node.views import mark, span

__all__ = ["come", "pass_write", "send_to_ring", "until_event"]


@part
def send_to_ring(spec, node, ns, place, octet, flaw, gap_ns):
    """A character that DMA moves: at once, or when the output's lets it."""
    by_dma = spec.method == DMA
    if by_dma and spec.arbitration_ns and node.begin_ns <= ns < node.still_ns:
        node.coming_ns = ns + spec.arbitration_ns
        node.coming_place = place
        node.coming_octet = octet
        node.coming_flaw = flaw
        node.coming_gap_ns = gap_ns
    else:
        _arrive(spec, node, ns, place, octet, flaw, gap_ns)


@part
def _arrive(spec, node, ns, place, octet, flaw, gap_ns):
    """A character is in the ring, or has lapped it."""
    at = node.written
    node.written = 0 if at + 1 == spec.ring else at + 1
    if node.accepted - node.taken < spec.fifo:
        accept(spec, node, place, octet, flaw, gap_ns)
    else:
        _lap(spec, node, ns)
        node.owed_gap_ns = max(node.owed_gap_ns, gap_ns)
        lose(spec, node, place, ns)
    if at + 1 == spec.ring or (spec.half and at + 1 == spec.ring // 2):
        node.trigger_latched = 1


@part
def _lap(spec, node, ns):
    """The ring looks empty: what it holds is lost, oldest first."""
    k = node.spans - 1
    while k > 0 and span(node, k).at > node.taken:
        k -= 1
    for at in range(node.taken, node.accepted):
        while k + 1 < node.spans and span(node, k + 1).at <= at:
            k += 1
        lose(spec, node, span(node, k).place + (at - span(node, k).at), ns)
    node.accepted = node.taken
    while node.marks > node.mark and mark(node, node.marks - 1).at >= node.taken:
        node.marks -= 1
        kind = mark(node, node.marks).kind
        if kind == SILENCE:
            node.owed_gap_ns = max(node.owed_gap_ns, spec.silence_ns)
        elif kind == PAUSE:
            node.owed_gap_ns = max(node.owed_gap_ns, spec.pause_ns + 1)
    # The last span may have begun with what is lost.
    while node.spans > 0 and span(node, node.spans - 1).at >= node.taken:
        node.spans -= 1


@part
def come(spec, node):
    """The character that was put off is in the ring."""
    ns = node.coming_ns
    node.coming_ns = FAR
    _arrive(
        spec,
        node,
        ns,
        node.coming_place,
        node.coming_octet,
        node.coming_flaw,
        node.coming_gap_ns,
    )


@melted
def until_event(spec, written):
    """Characters until one asserts the interrupt, that one included."""
    if spec.half and written < spec.ring // 2:
        return spec.ring // 2 - written
    return spec.ring - written


@melted
def pass_write(spec, node, count):
    """So many characters arrived in a ring that had room for them."""
    if count >= until_event(spec, node.written):
        node.trigger_latched = 1
    node.written = (node.written + count) % spec.ring
