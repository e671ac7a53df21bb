"""Hardware shifters, one lane after another."""

from __future__ import annotations

from bench.kernels.jit import part
from bench.kernels.node.clock import rise, rollover
from bench.kernels.node.latch import end_burst, settle, turn_chains
from bench.kernels.node.records import BEGUN, BY_INTERRUPT, FAR
from bench.kernels.node.views import burst_words_at, trace
from bench.kernels.pointers import copy

__all__ = ["begin_port", "next_lane"]


@part
def begin_port(spec, node):
    """The first lane begins."""
    first_bit_ns = node.begin_ns + rise(spec, 0)
    settle(spec, node, first_bit_ns)
    node.first_bit_ns = first_bit_ns
    node.lane = 0
    lane_ns = rollover(spec, spec.clocks)
    node.first_end_ns = node.begin_ns + lane_ns
    if spec.stop == BY_INTERRUPT:
        _begin_lane(spec, node, node.begin_ns)
        return
    end_ns = node.first_end_ns + (spec.lanes - 1) * (lane_ns + spec.lane_gap_ns)
    _end(spec, node, end_ns, end_ns)


@part
def next_lane(spec, node, ns):
    """The handler begins the next lane, or gives the output back after the last."""
    lane_ns = rollover(spec, spec.clocks)
    node.lane += 1
    if node.lane == spec.lanes:
        node.still_ns = ns
        node.free_ns = max(ns, node.end_ns + spec.kept_gap_ns)
        return
    node.lane_ended_ns = node.lane_begin_ns + lane_ns
    _begin_lane(spec, node, ns)
    trace(node, ns, node.bursts - 1, BEGUN)


@part
def _begin_lane(spec, node, ns):
    """A lane begins that a handler is told the end of; the last one ends the burst."""
    node.lane_begin_ns = ns
    node.complete_ns = ns + rollover(spec, spec.clocks)
    if node.lane == spec.lanes - 1:
        _end(spec, node, node.complete_ns, FAR)


@part
def _end(spec, node, end_ns, still_ns):
    turn_chains(node)
    copy(burst_words_at(spec, node), node.chain_at, spec.payload_octets)
    end_burst(spec, node, end_ns, still_ns, spec.clocks, 0)
