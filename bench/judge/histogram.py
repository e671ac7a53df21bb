"""A histogram of times that keeps a night of them in a fixed space.

Bins are log-linear (see `bench.kernels.histogram`): exact below 1024 ns, above it at
most 1/1024 of the time wide.  Count, least and greatest are exact.  What lies beyond
the bins is counted apart, on its side, and never put into the last bin.

A quantile is of type 1 of Hyndman and Fan (Amer. Statist. 50 (1996) 361), the inverse
of the empirical distribution function: the smallest time that at least the share p of
all times does not exceed.  It is given as the upper edge of its bin, so it is never
less than the true one, and exceeds it by less than a bin.
"""

from __future__ import annotations

from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

QUANTILE_TYPE = "inverted CDF (Hyndman and Fan type 1), upper edge of its bin"
"""Stated beside every quantile."""

_STEPS, _OCTAVES = 1024, 33  # of the kernel, which is not imported for an empty one
_BINS = _STEPS * (1 + _OCTAVES)
_INT64 = np.iinfo(np.int64)


class Histogram:
    """Counts of times in nanoseconds."""

    def __init__(self) -> None:
        self._counts: NDArray[np.int64] = np.zeros(_BINS, np.int64)
        self._beyond = np.array([0, 0, _INT64.max, _INT64.min], np.int64)

    @property
    def n(self) -> int:
        """How many times were added."""
        return int(self._counts.sum()) + self.below + self.above

    @property
    def below(self) -> int:
        """How many of them were less than zero."""
        return int(self._beyond[0])

    @property
    def above(self) -> int:
        """How many of them lie above the last bin."""
        return int(self._beyond[1])

    @property
    def least(self) -> int | None:
        """The least of them, exactly; None for none."""
        return int(self._beyond[2]) if self.n else None

    @property
    def greatest(self) -> int | None:
        """The greatest of them, exactly; None for none."""
        return int(self._beyond[3]) if self.n else None

    def add(self, values: ArrayLike) -> None:
        """Count times, whole nanoseconds."""
        column = np.ascontiguousarray(values, np.int64).reshape(-1)
        if not column.size:
            return
        from bench.kernels import histogram

        histogram.add(column, self._counts, self._beyond)

    def merge(self, other: Histogram) -> None:
        """Count all that another one has counted."""
        self._counts += other._counts
        self._beyond[:2] += other._beyond[:2]
        self._beyond[2] = min(self._beyond[2], other._beyond[2])
        self._beyond[3] = max(self._beyond[3], other._beyond[3])

    def quantile(self, p: float) -> int | None:
        """The p-quantile, `QUANTILE_TYPE`; None for no times.

        A quantile among the times below zero is given as at most -1, one among those
        above the last bin as the greatest time: both are upper edges as well.

        Args:
            p: In [0, 1], taken as the decimal that it is written as: the rank of 0.9 in
                ten times is nine, although the nearest binary64 is above 0.9.
        """
        if not 0 <= p <= 1:
            raise ValueError(f"a quantile is asked for a share of 0 to 1: {p}")
        n = self.n
        if n == 0:
            return None
        rank = max(1, ceil(Fraction(str(p)) * n)) - self.below
        greatest = int(self._beyond[3])
        if rank <= 0:
            return min(-1, greatest)
        reached = np.cumsum(self._counts)
        bin_ = int(np.searchsorted(reached, rank))
        return greatest if bin_ == _BINS else min(_upper_edge(bin_), greatest)

    def as_dict(self) -> dict[str, int | None]:
        """Count, the quantiles that are reported, and the greatest."""
        return {
            "n": self.n,
            "p50": self.quantile(0.5),
            "p99": self.quantile(0.99),
            "p99.9": self.quantile(0.999),
            "max": self.greatest,
        }


def _upper_edge(bin_: int) -> int:
    """The greatest time, in whole nanoseconds, that a bin holds."""
    octave, step = divmod(bin_, _STEPS)
    if octave == 0:
        return step
    return ((_STEPS + step + 1) << (octave - 1)) - 1
