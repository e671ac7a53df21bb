"""A node begins anew: what it had is dropped, and a burst that runs is cut off."""

from __future__ import annotations

from bench.kernels.jit import kernel, melted, part
from bench.kernels.node.clock import rises_before, rollover
from bench.kernels.node.clocked import lateness, shift_in
from bench.kernels.node.lanes import BITS
from bench.kernels.node.latch import settle, tell, turn_chains
from bench.kernels.node.records import BY_INTERRUPT, FAR, PORT, RESET, TIMER
from bench.kernels.node.views import burst_words_at, shown_row, slot, word_slot
from bench.kernels.node.words import chain_bit, put_chain_bit
from bench.kernels.node.work import drop
from bench.kernels.pointers import copy

__all__ = ["cut"]


@kernel
def cut(specs, nodes, ns):
    """Rows for what ends when a node begins anew.

    Its rows are empty before, but for that of a burst whose successor's first bit, by
    which it did not latch, has not come.

    Args:
        specs: `SPEC`, shape (1,).
        nodes: `NODE`, shape (1,), played up to the instant.
        ns: The instant.
    """
    spec = specs[0]
    node = nodes[0]
    if node.bursts > 0 and _runs(spec, node, ns):
        clocks = _cut_off(spec, node, ns)
        if clocks == 0 and node.told == 0:
            node.bursts -= 1
            _let_latch(spec, node)
            if not node.dark:
                held = word_slot(spec, node, node.rested)
                drop(node, ns, held.at, held.place, RESET)
    else:
        settle(spec, node, FAR)
    for count in range(node.started, node.rearranged):
        held = word_slot(spec, node, count)
        drop(node, ns, held.at, held.place, RESET)
    for count in range(node.returned, node.received):
        taken = slot(spec, node, count)
        drop(node, ns, taken.at, taken.place, RESET)


@part
def _let_latch(spec, node):
    """No bit of the last burst came; the one before it latches after all."""
    if node.shown:
        row = shown_row(node, node.shown - 1)
        row.shown_ns = row.end_ns + spec.latch_gap_ns


@part
def _runs(spec, node, ns):
    """Whether a burst is under way."""
    if spec.method == PORT and _is_worked_out(node) and node.end_ns < ns:
        # Nothing but its handler is.
        return False
    return node.still_ns >= ns


@melted
def _is_worked_out(node):
    """Whether what the chains hold at the end of the last burst is known already."""
    return node.ended_begin_ns == node.begin_ns


@part
def _cut_off(spec, node, ns):
    """The burst that runs ends here; its clocks that no row has yet."""
    if not _is_worked_out(node):
        settle(spec, node, FAR)
        turn_chains(node)
    node.unlatched = 0
    copy(node.before_at, node.chain_at, spec.payload_octets)
    copy(node.level_before_at, node.level_at, spec.word_octets)
    if spec.uart_lanes:
        clocks, end_ns = _cut_lanes(spec, node, ns)
    elif spec.method == TIMER:
        clocks, end_ns = node.answered, node.fall_ns
        _shift(spec, node, clocks)
    elif spec.method == PORT:
        clocks, end_ns = _cut_port(spec, node, ns)
    else:
        clocks, end_ns = _cut_clocked(spec, node, ns)
        _shift(spec, node, clocks)
    clocks -= node.told
    if clocks == 0:
        return clocks
    row = tell(spec, node, node.chain_at)
    row.burst_ns = node.begin_ns
    row.end_ns = min(end_ns, ns)
    row.shown_ns = row.end_ns + spec.latch_gap_ns
    row.clocks = clocks
    row.marginal = end_ns >= ns and not spec.uart_lanes
    row.lane_skew_ns = 0
    if spec.method == PORT:
        row.lane_skew_ns = max(0, row.end_ns - node.first_end_ns)
    return clocks


@part
def _shift(spec, node, clocks):
    level, before = node.level_before_at, node.before_at
    shift_in(spec, node, clocks, level, before, node.chain_at)


@part
def _cut_clocked(spec, node, ns):
    """Clocks of a burst of port words by DMA, and the last one's fall."""
    span_ns = ns - node.begin_ns
    clocks = rises_before(spec, span_ns, node.rolls)
    end_ns = node.begin_ns + rollover(spec, clocks)
    if clocks == node.rolls:
        late_ns = span_ns - rollover(spec, node.rolls)
        late = rises_before(spec, late_ns, FAR)
        clocks += late
        end_ns += rollover(spec, late)
    return clocks, end_ns


@part
def _cut_lanes(spec, node, ns):
    """Bits of UART lanes that began; the octets that came."""
    bits = node.answered
    if spec.method != TIMER:
        bits = 0
        while bits < spec.clocks and _began_ns(spec, node, bits) < ns:
            bits += 1
    size = spec.lane_octets
    octets = bits // BITS
    words = burst_words_at(spec, node)
    for lane in range(spec.lanes):
        copy(words + lane * size, node.chain_at + lane * size, octets)
    return bits, ns


@part
def _began_ns(spec, node, bit):
    """When a bit of all lanes began."""
    late_ns = lateness(spec, node.bursts - 1, bit)
    return node.begin_ns + rollover(spec, bit) + late_ns


@part
def _cut_port(spec, node, ns):
    """Clocks of the lane under way, and the last one's fall."""
    lane_ns = rollover(spec, spec.clocks)
    lane, begin_ns = node.lane, node.lane_begin_ns
    before_end_ns = begin_ns - spec.lane_gap_ns
    if spec.stop != BY_INTERRUPT:
        step_ns = lane_ns + spec.lane_gap_ns
        lane = min((ns - node.begin_ns) // step_ns, spec.lanes - 1)
        begin_ns = node.begin_ns + lane * step_ns
        before_end_ns = begin_ns - spec.lane_gap_ns
    elif lane > 0:
        before_end_ns = node.lane_ended_ns
    words, size = burst_words_at(spec, node), spec.lane_octets
    clocks = rises_before(spec, ns - begin_ns, spec.clocks)
    copy(words, node.chain_at, lane * size)
    for k in range(spec.clocks):
        after = k + clocks
        if after < spec.clocks:
            value = chain_bit(spec, node.before_at, lane, after)
        else:
            value = chain_bit(spec, words, lane, after - spec.clocks)
        put_chain_bit(spec, node.chain_at, lane, k, value)
    if clocks == 0 and lane > 0:
        return spec.clocks, before_end_ns
    return clocks, begin_ns + rollover(spec, clocks)
