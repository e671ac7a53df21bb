"""Draws by counter: Philox4x64-10.

Salmon, Moraes, Dror and Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC11.
A block of four 64-bit words is a function of (key, counter) and of nothing else, so a
draw needs no state and does not care how the work was split.

The counter is (word block, thing, 0, 0): `thing` is a packet, a burst, or whatever the
stream counts, and `word block` runs within it.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import inner
from bench.kernels.words import high_half, put_word, wide_product

__all__ = ["below", "block", "fill"]

_M0 = np.uint64(0xD2E7470EE14C6C93)
_M1 = np.uint64(0xCA5A826395121157)
_W0 = np.uint64(0x9E3779B97F4A7C15)
_W1 = np.uint64(0xBB67AE8584CAA73B)
_ROUNDS = 10


@inner
def block(key0, key1, thing, word_block):
    """Four words for one counter.

    Args:
        key0: First word of the key, uint64.
        key1: Second word of the key, uint64.
        thing: What is drawn for, a count from zero.
        word_block: Which four words of it.
    """
    a = np.uint64(word_block)
    b = np.uint64(thing)
    c = np.uint64(0)
    d = np.uint64(0)
    k0 = key0
    k1 = key1
    for _ in range(_ROUNDS):
        high0, low0 = wide_product(_M0, a)
        high1, low1 = wide_product(_M1, c)
        a = high1 ^ b ^ k0
        b = low1
        c = high0 ^ d ^ k1
        d = low0
        k0 += _W0
        k1 += _W1
    return a, b, c, d


@inner
def below(word, limit):
    """A whole number in [0, limit) from one word; limit = 0 gives 0.

    The upper half of word x limit: for limits below 2^32 its bias is under 2^-32.
    """
    return np.int64(high_half(word, np.uint64(limit)))


@inner
def fill(key0, key1, thing, out):
    """Fill an array of octets with the words of one thing, little end first."""
    octets = out.shape[0]
    whole = octets // 32
    for i in range(whole):
        a, b, c, d = block(key0, key1, thing, i)
        at = 32 * i
        put_word(out, at, a)
        put_word(out, at + 8, b)
        put_word(out, at + 16, c)
        put_word(out, at + 24, d)
    at = 32 * whole
    if at < octets:
        word, b, c, d = block(key0, key1, thing, whole)
        while at + 8 <= octets:
            put_word(out, at, word)
            word, b, c = b, c, d
            at += 8
        for k in range(at, octets):
            out[k] = np.uint8(word & np.uint64(255))
            word >>= np.uint64(8)
