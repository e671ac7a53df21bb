"""Forget what a node will not look at again, between two chunks."""

from __future__ import annotations

from bench.kernels.jit import kernel, part
from bench.kernels.node.records import FAR
from bench.kernels.node.views import mark, span, survivor, survivor_at
from bench.kernels.pointers import put_octet

__all__ = ["forget"]


@kernel
def forget(nodes):
    """Move the survivors that still matter to the front.

    What matters begins at the packet being received, or at the next octet to be parsed.
    """
    node = nodes[0]
    if node.start < 0:
        # Octets that were taken and not parsed yet are ones that nobody waits for.
        node.scan = node.taken
        if node.mark < node.marks:
            node.scan = min(node.scan, mark(node, node.mark).at)
    keep = min(node.scan, node.taken)
    if node.start >= 0:
        keep = min(keep, node.start)
    for k in range(keep, node.accepted):
        put_octet(survivor_at(node, k - keep), survivor(node, k))
    node.accepted -= keep
    node.taken -= keep
    node.scan -= keep
    if node.start >= 0:
        node.start -= keep
        node.body -= keep
        node.goal -= keep
    if node.need != FAR:
        node.need -= keep
    if node.passed:
        node.passed -= keep
    _forget_spans(node, keep)
    _forget_marks(node, keep)


@part
def _forget_spans(node, keep):
    """Spans count from the new front; the first one may have begun before it."""
    first = 0
    while first + 1 < node.spans and span(node, first + 1).at <= keep:
        first += 1
    for k in range(first, node.spans):
        row = span(node, k)
        at = max(row.at, keep)
        moved = span(node, k - first)
        moved.place = row.place + (at - row.at)
        moved.at = at - keep
    node.spans -= first


@part
def _forget_marks(node, keep):
    """Marks count from the new front; those before it are dropped."""
    first = 0
    while first < node.marks and mark(node, first).at < keep:
        first += 1
    for k in range(first, node.marks):
        row = mark(node, k)
        moved = mark(node, k - first)
        moved.kind = row.kind
        moved.at = row.at - keep
    node.marks -= first
    node.mark = max(0, node.mark - first)
