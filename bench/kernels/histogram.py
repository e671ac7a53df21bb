"""Counting times into bins whose width grows with the time.

Below 1024 ns every nanosecond has its own bin; above, every octave has 1024 of equal
width, so that no bin is wider than 1/1024 of the times in it.  The exponent and the
upper ten bits of the fraction of a binary64 are that rule already: the place of a bin
is read off the number itself.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import kernel

__all__ = ["BINS", "LIMIT_NS", "STEPS", "add", "place"]

STEPS = 1024
"""Bins in an octave."""

_OCTAVES = 33

LIMIT_NS = STEPS << _OCTAVES
"""First time beyond the bins: two hours and twenty-six minutes."""

BINS = STEPS * (1 + _OCTAVES)

_FIRST = np.int64(((1023 + 10) << 10) - STEPS)
"""Upper bits of the binary64 of 1024, less the place of its bin."""


@kernel
def place(value):
    """The bin of a time in [0, LIMIT_NS)."""
    if value < STEPS:
        return value
    return (np.float64(value).view(np.int64) >> 42) - _FIRST


@kernel
def add(values, counts, beyond):
    """Count values into their bins.

    Args:
        values: int64.
        counts: int64 of shape (BINS,); added to.
        beyond: int64 of shape (4,); added to: values below zero, values of LIMIT_NS and
            more; and the least and the greatest of all values, these two included.
    """
    for value in values:
        if value < 0:
            beyond[0] += 1
        elif value >= LIMIT_NS:
            beyond[1] += 1
        else:
            counts[place(value)] += 1
        beyond[2] = min(beyond[2], value)
        beyond[3] = max(beyond[3], value)
