"""The output stage: rearranging, the clock and its stop, the latch, the chains."""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import part
from bench.kernels.node.records import (
    BY_COUNT,
    BY_DMA,
    BY_INTERRUPT,
    FAR,
)
from bench.kernels.node.views import (
    port_words_at,
    shown_row,
)
from bench.kernels.philox import below, block
from bench.kernels.pointers import copy, octet_at, put_octet

__all__ = ["begin_burst", "rearrange", "settle", "stop_clock"]

_S = 1_000_000_000


@part
def _rollover(spec, k):
    """From the beginning of a burst to the start of its period k, in ns."""
    return k * _S // spec.clock_hz


@part
def _rise(spec, k):
    """From the beginning of a burst to the clock's rise in its period k, in ns."""
    return (1000 * k + spec.rise_permille) * (_S // 1000) // spec.clock_hz


@part
def _turned(square):
    """An 8 x 8 bit square across its diagonal: bit c of octet r to bit r of octet c.

    H. S. Warren, "Hacker's Delight", section 7-3 (from memory).
    """
    step = (square ^ (square >> np.uint64(7))) & np.uint64(0x00AA00AA00AA00AA)
    square ^= step ^ (step << np.uint64(7))
    step = (square ^ (square >> np.uint64(14))) & np.uint64(0x0000CCCC0000CCCC)
    square ^= step ^ (step << np.uint64(14))
    step = (square ^ (square >> np.uint64(28))) & np.uint64(0x00000000F0F0F0F0)
    return square ^ step ^ (step << np.uint64(28))


@part
def rearrange(spec, payload, words):
    """Packet octets, lane by lane, into port words, clock by clock.

    Args:
        spec: `SPEC`.
        payload: Where the lanes x lane_octets octets are.
        words: Where clocks x word_octets go; bit `lane` of a word is that lane's bit.
    """
    size = spec.lane_octets
    width = spec.word_octets
    for group in range(width):
        first = 8 * group
        lanes = max(0, min(8, spec.lanes - first))
        for column in range(size):
            square = np.uint64(0)
            for lane in range(lanes):
                octet = np.uint64(octet_at(payload + (first + lane) * size + column))
                square |= octet << np.uint64(8 * lane)
            square = _turned(square)
            for k in range(8):
                bit = 7 - k if spec.msb_first else k
                word = np.uint8((square >> np.uint64(8 * bit)) & np.uint64(255))
                put_octet(words + (8 * column + k) * width + group, word)


@part
def _shift_out(spec, words, clocks, out):
    """What the chains hold after `clocks` clocks, lane by lane."""
    size = spec.lane_octets
    width = spec.word_octets
    late = clocks - spec.clocks
    last = spec.clocks - 1
    for group in range(width):
        first = 8 * group
        lanes = max(0, min(8, spec.lanes - first))
        for column in range(size):
            square = np.uint64(0)
            for k in range(8):
                bit = 7 - k if spec.msb_first else k
                clock = min(8 * column + k + late, last)
                word = np.uint64(octet_at(words + clock * width + group))
                square |= word << np.uint64(8 * bit)
            square = _turned(square)
            for lane in range(lanes):
                octet = np.uint8((square >> np.uint64(8 * lane)) & np.uint64(255))
                put_octet(out + (first + lane) * size + column, octet)


@part
def begin_burst(spec, node, ns):
    """The clock starts."""
    first_bit_ns = ns + _rise(spec, 0)
    settle(spec, node, first_bit_ns)
    node.running = 1
    node.begin_ns = ns
    node.first_bit_ns = first_bit_ns
    node.free_ns = FAR
    complete_ns = ns + _rollover(spec, spec.clocks)
    number = node.bursts
    node.bursts += 1
    if spec.stop == BY_INTERRUPT:
        node.complete_ns = complete_ns
        return
    late_ns = 0
    if spec.stop == BY_DMA:
        late_ns = spec.stop_latency_ns
        if spec.stop_jitter_ns:
            draw = block(np.uint64(spec.key0), np.uint64(spec.key1), number, spec.index)
            late_ns += below(draw[0], spec.stop_jitter_ns + 1)
    stop_clock(spec, node, complete_ns + late_ns)


@part
def stop_clock(spec, node, stop_ns):
    """The clock stands still from `stop_ns` on: count what came out."""
    complete_ns = node.begin_ns + _rollover(spec, spec.clocks)
    # In parts of a period of which a nanosecond has `clock_hz`.
    late = (stop_ns - complete_ns) * spec.clock_hz
    rise = spec.rise_permille * (_S // 1000)
    periods = late // _S
    extra = (late - rise) // _S + 1
    high = extra > periods
    node.clocks = spec.clocks + extra
    node.marginal = 0
    if spec.stop != BY_COUNT:
        near = periods * _S + rise - late <= spec.runt_ns * spec.clock_hz
        node.marginal = 1 if high or near else 0
    node.end_ns = stop_ns if high else complete_ns + _rollover(spec, periods)
    node.running = 0
    node.free_ns = max(stop_ns, node.end_ns + spec.kept_gap_ns)
    node.unlatched = 1
    words = port_words_at(spec, node, node.rested)
    _shift_out(spec, words, node.clocks, node.chain_at)


@part
def settle(spec, node, next_clock_ns):
    """Whether the last burst was latched before `next_clock_ns`; its row."""
    if not node.unlatched:
        return
    latched_ns = node.end_ns + spec.latch_gap_ns
    row = shown_row(node, node.shown)
    row.burst_ns = node.begin_ns
    row.first_bit_ns = node.first_bit_ns
    row.end_ns = node.end_ns
    row.shown_ns = latched_ns if latched_ns <= next_clock_ns else -1
    row.clocks = node.clocks
    row.marginal = node.marginal
    row.data_at = node.data
    row.data_octets = spec.payload_octets
    copy(node.chain_at, node.data_at + node.data, spec.payload_octets)
    node.data += spec.payload_octets
    node.shown += 1
    node.unlatched = 0
