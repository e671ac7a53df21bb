"""Port words by DMA on a clock: its stop, its extra clocks, words that move late."""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import part
from bench.kernels.node.clock import S, rise, rollover
from bench.kernels.node.latch import end_burst, settle, turn_chains
from bench.kernels.node.records import BY_COUNT, BY_DMA, BY_INTERRUPT
from bench.kernels.node.views import burst_words_at, move, put_move
from bench.kernels.node.words import chain_bit, put_chain_bit, shift_out
from bench.kernels.philox import below, block
from bench.kernels.pointers import copy, octet_at

__all__ = ["begin_clocked", "lateness", "shift_in", "stop_clocked"]


@part
def begin_clocked(spec, node, number):
    """The clock starts."""
    first_bit_ns = node.begin_ns + rise(spec, 0)
    settle(spec, node, first_bit_ns)
    node.first_bit_ns = first_bit_ns
    node.rolls = spec.lead + spec.clocks
    if spec.loose:
        rolls = _move_late(spec, node, number)
        if spec.stop != BY_COUNT:
            node.rolls = rolls
    node.rolls += spec.clock_bias
    complete_ns = node.begin_ns + rollover(spec, node.rolls)
    if spec.stop == BY_INTERRUPT:
        node.complete_ns = complete_ns
        return
    late_ns = 0
    if spec.stop == BY_DMA:
        late_ns = spec.stop_latency_ns
        if spec.stop_jitter_ns:
            draw = block(np.uint64(spec.key0), np.uint64(spec.key1), number, spec.index)
            late_ns += below(draw[0], spec.stop_jitter_ns + 1)
    stop_clocked(spec, node, complete_ns + late_ns)


@part
def lateness(spec, number, word):
    """How late port word `word` of a burst moves."""
    if spec.transfer_jitter_ns == 0:
        return np.int64(0)
    key0, key1 = np.uint64(spec.transfer0), np.uint64(spec.transfer1)
    a, b, c, d = block(key0, key1, number, word >> 2)
    which = word & 3
    drawn = a
    if which == 1:
        drawn = b
    elif which == 2:
        drawn = c
    elif which == 3:
        drawn = d
    return below(drawn, spec.transfer_jitter_ns + 1)


@part
def _move_late(spec, node, number):
    """When every port word moves; the rollover after that of the last one."""
    k = spec.lead
    for word in range(spec.clocks):
        ns = node.begin_ns + rollover(spec, k) + lateness(spec, number, word)
        put_move(spec, node, word, ns)
        k += 1
        while word + 1 < spec.clocks and node.begin_ns + rollover(spec, k) < ns:
            k += 1
    return k


@part
def stop_clocked(spec, node, stop_ns):
    """The clock stands still from `stop_ns` on: count what came out."""
    complete_ns = node.begin_ns + rollover(spec, node.rolls)
    # In parts of a period of which a nanosecond has `clock_hz`.
    late = (stop_ns - complete_ns) * spec.clock_hz
    first = spec.rise_permille * (S // 1000)
    periods = late // S
    extra = (late - first) // S + 1
    high = extra > periods
    marginal = 0
    if spec.stop != BY_COUNT:
        near = periods * S + first - late <= spec.runt_ns * spec.clock_hz
        marginal = 1 if high or near else 0
    end_ns = stop_ns if high else complete_ns + rollover(spec, periods)
    clocks = node.rolls + extra
    words = burst_words_at(spec, node)
    turn_chains(node)
    if spec.loose:
        shift_in(
            spec, node, clocks, node.level_before_at, node.before_at, node.chain_at
        )
    else:
        shift_out(spec, words, extra, node.chain_at)
    width = spec.word_octets
    copy(words + (spec.clocks - 1) * width, node.level_at, width)
    end_burst(spec, node, end_ns, stop_ns, clocks, marginal)


@part
def shift_in(spec, node, clocks, level, before, out):
    """What the chains hold after so many clocks of a burst, clock by clock.

    Args:
        spec: `SPEC`.
        node: `NODE`.
        clocks: Clocks that rose.
        level: Where the port word is that was on the lanes before.
        before: Where the octets are that the chains held before.
        out: Where those go that they hold now.
    """
    words = burst_words_at(spec, node)
    for lane in range(spec.lanes):
        for k in range(spec.clocks - clocks):
            put_chain_bit(spec, out, lane, k, chain_bit(spec, before, lane, k + clocks))
    word = np.int64(-1)
    for clock in range(clocks):
        word = _word_of(spec, node, clock, word)
        k = clock - clocks + spec.clocks
        if k < 0:
            continue
        at = level if word < 0 else words + word * spec.word_octets
        for lane in range(spec.lanes):
            value = (np.int64(octet_at(at + (lane >> 3))) >> (lane & 7)) & 1
            put_chain_bit(spec, out, lane, k, value)


@part
def _word_of(spec, node, clock, last):
    """The port word that a clock takes, given the one that the clock before took."""
    if not spec.loose:
        return min(clock - spec.lead, spec.clocks - 1) if clock >= spec.lead else last
    if clock < node.rolls:
        ns = node.begin_ns + rise(spec, clock)
    else:
        ns = node.begin_ns + rollover(spec, node.rolls) + rise(spec, clock - node.rolls)
    while last + 1 < spec.clocks and move(spec, node, last + 1) + spec.setup_ns < ns:
        last += 1
    return last
