"""The histogram's kernel against its twin."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import histogram_twin

from bench.kernels import histogram

VALUES = st.one_of(
    st.integers(-(2**60), 2**60),
    st.integers(-2, 5000),
    st.integers(0, 45).flatmap(lambda k: st.integers(2**k - 2, 2**k + 2)),
)


@given(st.lists(VALUES, max_size=100))
@settings(max_examples=200, deadline=None)
def test_kernel_equals_twin(values: list[int]) -> None:
    """The same bins, and the same counts beyond them."""
    counts = np.zeros(histogram.BINS, np.int64)
    beyond = np.array([0, 0, 2**62, -(2**62)], np.int64)
    histogram.add(np.array(values, np.int64), counts, beyond)
    told: dict[int, int] = {}
    twin_beyond = [0, 0, 2**62, -(2**62)]
    histogram_twin.add(values, told, twin_beyond)
    assert {int(k): int(counts[k]) for k in np.flatnonzero(counts)} == told
    assert beyond.tolist() == twin_beyond


@given(st.integers(0, histogram_twin.LIMIT_NS - 1))
def test_place_equals_twin(value: int) -> None:
    """The place of a bin is read off the number as the definition counts it."""
    assert histogram.place(value) == histogram_twin.place(value)
