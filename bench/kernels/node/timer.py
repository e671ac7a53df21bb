"""One interrupt for each output bit, paced by a timer."""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.clock import rollover
from bench.kernels.node.clocked import shift_in
from bench.kernels.node.lanes import read_lanes
from bench.kernels.node.latch import end_burst, settle, tell, turn_chains
from bench.kernels.node.records import FAR, MOVE, MOVED
from bench.kernels.node.views import burst_words_at, put_move, trace
from bench.kernels.node.words import shift_out

__all__ = ["begin_timed", "enter_bit", "move_bit", "tick"]


@part
def begin_timed(node):
    """The first tick comes at once."""
    node.tick_ns = node.begin_ns
    node.ticks = 0
    node.entered = 0
    node.answered = 0


@melted
def tick(spec, node, ns):
    """Ticks up to an instant: one of them may be pending, more are lost."""
    while node.tick_ns <= ns:
        node.bit_pending = 1
        node.ticks += 1
        node.tick_ns = node.begin_ns + rollover(spec, node.ticks)


@melted
def enter_bit(spec, node):
    """Into the handler of an output bit, at `now_ns`."""
    node.phase = MOVE
    node.bit_pending = 0
    node.entered += 1
    if node.entered == spec.clocks:
        node.tick_ns = FAR
    node.since_ns = node.now_ns
    node.next_ns = node.now_ns + spec.entry_ns


@part
def move_bit(spec, node, ns):
    """The next port word moves."""
    k = node.answered
    put_move(spec, node, k, ns)
    trace(node, ns, node.bursts - 1, MOVED)
    first_ns = ns if spec.uart_lanes else ns + spec.bit_ns // 2
    if k == 0:
        settle(spec, node, first_ns)
        node.first_bit_ns = first_ns
    elif spec.latch_pause_ns and first_ns - node.fall_ns >= spec.latch_pause_ns:
        _latch_part(spec, node)
        node.first_bit_ns = first_ns
    node.fall_ns = ns + spec.bit_ns
    node.answered += 1
    if node.answered == spec.clocks:
        _end(spec, node)


@part
def _end(spec, node):
    """The last bit has moved."""
    words = burst_words_at(spec, node)
    turn_chains(node)
    if spec.uart_lanes:
        read_lanes(spec, node, words)
    else:
        shift_out(spec, words, 0, node.chain_at)
    clocks = spec.clocks - node.told
    end_burst(spec, node, node.fall_ns, node.fall_ns, clocks, 0)


@part
def _latch_part(spec, node):
    """The chains latched in a pause inside the burst: a row of its own."""
    level, chain, out = node.level_at, node.chain_at, node.scratch_at
    shift_in(spec, node, node.answered, level, chain, out)
    row = tell(spec, node, node.scratch_at)
    row.burst_ns = node.begin_ns
    row.end_ns = node.fall_ns
    row.shown_ns = node.fall_ns + spec.latch_pause_ns
    row.clocks = node.answered - node.told
    row.marginal = 0
    row.lane_skew_ns = 0
    node.told = node.answered
