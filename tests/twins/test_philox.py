"""Philox, by counter: against numpy, and against a plain twin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import philox_twin

from bench.kernels import philox

WORDS = st.integers(0, 2**64 - 1)
THINGS = st.integers(0, 2**63 - 1)
BLOCKS = st.integers(0, 2**40)


def numpy_words(key: tuple[int, int], thing: int, word_block: int) -> list[int]:
    """Four words from numpy, which counts up before its first block."""
    counter = ((thing << 64 | word_block) - 1) % 2**256
    generator = np.random.Philox(key=key[0] | key[1] << 64, counter=counter)
    return [int(word) for word in generator.random_raw(4)]


def _block(key: tuple[int, int], thing: int, word_block: int) -> list[int]:
    k0, k1 = np.uint64(key[0]), np.uint64(key[1])
    return [int(word) for word in philox.block(k0, k1, thing, word_block)]


@given(key=st.tuples(WORDS, WORDS), thing=THINGS, word_block=BLOCKS)
@settings(deadline=None)  # the first call compiles
def test_block_is_numpy_s(key, thing, word_block):
    """Kernel, numpy and twin draw the same four words for any key and counter."""
    words = _block(key, thing, word_block)
    assert words == numpy_words(key, thing, word_block)
    assert words == philox_twin.block(key, thing, word_block)


def test_counter_zero():
    """The very first counter, where numpy's would be minus one."""
    assert _block((0, 0), 0, 0) == numpy_words((0, 0), 0, 0)


def test_published_vectors():
    """Two vectors of the paper's own test set (Random123, kat_vectors; from memory)."""
    assert _block((0, 0), 0, 0) == [
        0x16554D9ECA36314C,
        0xDB20FE9D672D0FDC,
        0xD7E772CEE186176B,
        0x7E68B68AEC7BA23B,
    ]


@given(thing=THINGS, octets=st.integers(0, 200))
@settings(deadline=None)  # the first call compiles
def test_fill_is_the_words_low_octet_first(thing, octets):
    """Octets are numpy's words on a little-endian machine, and the twin's."""
    out = np.full(octets + 1, 0xEE, np.uint8)
    philox.fill(np.uint64(7), np.uint64(9), thing, out[:octets])
    blocks = -(-octets // 32)
    words = [w for k in range(blocks) for w in numpy_words((7, 9), thing, k)]
    assert bytes(out[:octets]) == np.array(words, "<u8").tobytes()[:octets]
    assert bytes(out[:octets]) == philox_twin.fill((7, 9), thing, octets)
    assert out[octets] == 0xEE


@given(word=WORDS, limit=st.integers(0, 2**40))
@settings(deadline=None)  # the first call compiles
def test_below_is_a_share_of_the_limit(word, limit):
    """The word as a fraction, times the limit; nothing for no limit."""
    drawn = philox.below(np.uint64(word), limit)
    assert drawn == philox_twin.below(word, limit)
    assert 0 <= drawn < max(1, limit)


@pytest.mark.parametrize("limit", [1, 2, 3, 10])
def test_below_reaches_both_ends(limit):
    """The smallest and the largest word give the smallest and the largest number."""
    assert philox.below(np.uint64(0), limit) == 0
    assert philox.below(np.uint64(2**64 - 1), limit) == limit - 1
