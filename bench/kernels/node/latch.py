"""The end of a burst, and whether the chains latched what they held then."""

from __future__ import annotations

from bench.kernels.jit import part
from bench.kernels.node.records import PORT
from bench.kernels.node.views import shown_row
from bench.kernels.pointers import copy

__all__ = ["end_burst", "settle", "tell", "turn_chains"]


@part
def turn_chains(node):
    """What the chains hold is about to change; what they held is kept for a reset."""
    node.chain_at, node.before_at = node.before_at, node.chain_at
    node.level_at, node.level_before_at = node.level_before_at, node.level_at


@part
def end_burst(spec, node, end_ns, still_ns, clocks, marginal):
    """A burst ends; its clock stands still then or somewhat later."""
    node.ended_begin_ns = node.begin_ns
    node.end_ns = end_ns
    node.still_ns = still_ns
    node.clocks = clocks
    node.marginal = marginal
    node.free_ns = max(still_ns, end_ns + spec.kept_gap_ns)
    node.unlatched = 1
    if spec.method != PORT:
        node.first_end_ns = end_ns


@part
def settle(spec, node, next_clock_ns):
    """Whether the last burst was latched before `next_clock_ns`; its row."""
    if not node.unlatched:
        return
    node.unlatched = 0
    latched_ns = node.end_ns + spec.latch_gap_ns
    if node.first_end_ns + spec.latch_gap_ns > next_clock_ns:
        latched_ns = -1
    row = tell(spec, node, node.chain_at)
    row.burst_ns = node.ended_begin_ns
    row.end_ns = node.end_ns
    row.shown_ns = latched_ns
    row.clocks = node.clocks
    row.marginal = node.marginal
    row.lane_skew_ns = node.end_ns - node.first_end_ns


@part
def tell(spec, node, chain):
    """A row with what the chains hold; the times are the caller's."""
    row = shown_row(node, node.shown)
    row.first_bit_ns = node.first_bit_ns
    row.data_at = node.data
    row.data_octets = spec.payload_octets
    copy(chain, node.data_at + node.data, spec.payload_octets)
    node.data += spec.payload_octets
    node.shown += 1
    return row
