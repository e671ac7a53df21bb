"""UART lanes: characters that hardware, DMA or a timer puts out, and what arrives."""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted, part
from bench.kernels.node.clock import S, rollover
from bench.kernels.node.clocked import lateness
from bench.kernels.node.latch import end_burst, settle, turn_chains
from bench.kernels.node.records import TIMER
from bench.kernels.node.views import burst_words_at, move, put_move
from bench.kernels.pointers import copy, octet_at, put_octet

__all__ = ["BITS", "begin_lanes", "read_lanes"]

BITS = np.int64(10)
"""Of a character: start, eight, stop."""

_STOP = np.int64(9)

_MARGIN = np.int64(2)
"""What rounding down may add to the lateness of a bit."""


@part
def begin_lanes(spec, node, number):
    """All lanes begin, each bit in its time."""
    settle(spec, node, node.begin_ns)
    node.first_bit_ns = node.begin_ns
    if not spec.intact:
        for k in range(spec.clocks):
            ns = node.begin_ns + rollover(spec, k) + lateness(spec, number, k)
            put_move(spec, node, k, ns)
    words = burst_words_at(spec, node)
    turn_chains(node)
    read_lanes(spec, node, words)
    end_ns = node.begin_ns + rollover(spec, spec.clocks)
    end_burst(spec, node, end_ns, end_ns, spec.clocks, 0)


@part
def read_lanes(spec, node, octets):
    """What the devices of every lane read."""
    if _is_whole(spec, node):
        copy(octets, node.chain_at, spec.payload_octets)
        return
    size = spec.lane_octets
    for lane in range(spec.lanes):
        _read(spec, node, octets + lane * size, node.chain_at + lane * size)


@part
def _is_whole(spec, node):
    """Whether every bit is read in its own time, since none is half a period late."""
    if spec.method != TIMER or not spec.intact:
        return spec.intact != 0
    least = most = move(spec, node, 0) - node.begin_ns
    for k in range(1, spec.clocks):
        late = move(spec, node, k) - node.begin_ns - rollover(spec, k)
        least = min(least, late)
        most = max(most, late)
    return most - least + _MARGIN <= S // (2 * spec.clock_hz)


@melted
def _bit(octets, k):
    """Bit k of a lane."""
    place = k % BITS
    if place == 0:
        return np.int64(0)
    if place == _STOP:
        return np.int64(1)
    return (np.int64(octet_at(octets + k // BITS)) >> (place - 1)) & 1


@part
def _read(spec, node, octets, out):
    """One lane, from change to change and bit to bit."""
    made = np.int64(0)
    k = np.int64(0)
    while made < spec.lane_octets:
        # The next change from 1 to 0; at rest the lane is 1.
        while k < spec.clocks and (
            _bit(octets, k) or (k > 0 and not _bit(octets, k - 1))
        ):
            k += 1
        if k == spec.clocks:
            break
        began_ns = move(spec, node, k)
        value = np.int64(0)
        for i in range(1, _STOP + 1):
            at_ns = began_ns + (2 * i + 1) * S // (2 * spec.lane_hz)
            while k + 1 < spec.clocks and move(spec, node, k + 1) <= at_ns:
                k += 1
            if i < _STOP:
                value |= _bit(octets, k) << (i - 1)
        put_octet(out + made, value)
        made += 1
        k += 1
    while made < spec.lane_octets:
        put_octet(out + made, 0)
        made += 1
