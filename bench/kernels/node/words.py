"""Packet octets into port words, and back out of the chains.

Port words hold one bit a lane, clock by clock.  Where the hardware makes bits of octets
by itself (UART lanes, shifters) what is kept instead are the octets.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import kernel, melted, part
from bench.kernels.node.records import DMA, TIMER
from bench.kernels.pointers import address_of, copy, octet_at, put_octet

__all__ = ["chain_bit", "put_chain_bit", "put_words", "shift_out", "words_of"]


@melted
def _in_words(spec):
    """Whether the octets are turned into port words."""
    return (spec.method == DMA or spec.method == TIMER) and not spec.uart_lanes


@part
def put_words(spec, payload, words):
    """What the foreground makes of a payload, as the output stage takes it."""
    if _in_words(spec):
        _rearrange(spec, payload, words)
    else:
        copy(payload, words, spec.payload_octets)


@kernel
def words_of(specs, payload, words):
    """The same for arrays: the port words of a payload (of darkness, say)."""
    put_words(specs[0], address_of(payload), address_of(words))


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
def _rearrange(spec, payload, words):
    """Packet octets, lane by lane, into port words, clock by clock.

    Args:
        spec: `SPEC`.
        payload: Where the lanes x lane_octets octets are.
        words: Where clocks x word_octets go; bit `lane` of a word is that lane's bit.
    """
    size = spec.lane_octets
    width = spec.word_octets
    payload += spec.lane_at
    stride = spec.lane_stride
    for group in range(width):
        first = 8 * group
        lanes = max(0, min(8, spec.lanes - first))
        for column in range(size):
            square = np.uint64(0)
            for lane in range(lanes):
                at = payload + (first + lane) * stride + column
                octet = np.uint64(octet_at(at))
                square |= octet << np.uint64(8 * lane)
            square = _turned(square)
            for k in range(8):
                bit = 7 - k if spec.words_msb_first else k
                word = np.uint8((square >> np.uint64(8 * bit)) & np.uint64(255))
                put_octet(words + (8 * column + k) * width + group, word)


@part
def shift_out(spec, words, late, out):
    """What the chains hold when the last word was clocked `late` times too often.

    Args:
        spec: `SPEC`.
        words: Where the port words are.
        late: Clocks after the last word's own.
        out: Where the octets go, lane by lane.
    """
    size = spec.lane_octets
    width = spec.word_octets
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


@melted
def _octet_and_bit(spec, lane, k):
    """Where bit k of a lane lies among octets, k in the order of shifting."""
    bit = k & 7
    if spec.msb_first:
        bit = 7 - bit
    return lane * spec.lane_octets + (k >> 3), bit


@melted
def chain_bit(spec, octets, lane, k):
    """Bit k of a lane."""
    at, bit = _octet_and_bit(spec, lane, k)
    return (np.int64(octet_at(octets + at)) >> bit) & 1


@melted
def put_chain_bit(spec, octets, lane, k, value):
    """Write bit k of a lane."""
    at, bit = _octet_and_bit(spec, lane, k)
    octet = np.int64(octet_at(octets + at)) & ~(1 << bit)
    put_octet(octets + at, octet | (value << bit))
