"""Words in arrays and wide products, against whole numbers of any size."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.kernels.jit import kernel
from bench.kernels.words import high_half, put_word, wide_product, word_at

WORDS = st.integers(0, 2**64 - 1)


@kernel
def _word_at(octets, at):
    return word_at(octets, at)


@kernel
def _put_word(octets, at, word):
    put_word(octets, at, word)


@kernel
def _high_half(left, right):
    return high_half(left, right)


@kernel
def _wide_product(left, right):
    return wide_product(left, right)


@given(octets=st.binary(min_size=8, max_size=40), data=st.data())
@settings(deadline=None)  # the first call compiles
def test_word_at_reads_the_first_octet_lowest(octets, data):
    """A word read at any place is the number that its eight octets write."""
    at = data.draw(st.integers(0, len(octets) - 8))
    column = np.frombuffer(octets, np.uint8).copy()
    assert _word_at(column, at) == int.from_bytes(octets[at : at + 8], "little")


@given(word=WORDS, size=st.integers(8, 30), data=st.data())
@settings(deadline=None)  # the first call compiles
def test_put_word_writes_eight_octets_and_no_more(word, size, data):
    """What is written reads back, and its neighbours stay as they are."""
    at = data.draw(st.integers(0, size - 8))
    column = np.full(size, 0xA5, np.uint8)
    _put_word(column, at, np.uint64(word))
    expected = bytearray(b"\xa5" * size)
    expected[at : at + 8] = word.to_bytes(8, "little")
    assert bytes(column) == expected


@given(left=WORDS, right=WORDS)
@settings(deadline=None)  # the first call compiles
def test_products_have_both_halves(left, right):
    """The halves of the product, both at once and the upper one alone."""
    pair = np.uint64(left), np.uint64(right)
    assert _wide_product(*pair) == divmod(left * right, 2**64)
    assert _high_half(*pair) == left * right >> 64


def test_products_are_of_unsigned_words():
    """A signed word is refused: its product would be another."""
    for function in (_high_half, _wide_product):
        with pytest.raises(Exception, match="unsigned 64-bit words"):
            function(np.int64(1), np.uint64(1))
