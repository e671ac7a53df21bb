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
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

QUANTILE_TYPE = "inverted CDF (Hyndman and Fan type 1), upper edge of its bin"
"""Stated beside every quantile."""

SPREAD_ROWS = 64
"""Rows of a distribution that is kept: enough to draw, and little to read."""

_STEPS, _OCTAVES = 1024, 33  # of the kernel, which is not imported for an empty one
_BINS = _STEPS * (1 + _OCTAVES)
_INT64 = np.iinfo(np.int64)

_SPARSE = 64
"""More bins are not told one by one: a night of them is to stay readable."""

_FINE = 16
"""Bins that are then told as one."""


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

    def sparse(self) -> dict[str, Any] | None:
        """The bins that hold anything, as strict JSON; None for no times.

        Where there are many, several are taken together, at most 1/64 of the time wide.
        Told by their upper edges, times made of them are never less than the true ones.
        """
        if not self.n:
            return None
        filled, fine = np.flatnonzero(self._counts), 1
        if len(filled) > _SPARSE:
            fine = _FINE
        groups = self._counts.reshape(-1, fine).sum(axis=1)
        filled = np.flatnonzero(groups)
        return {
            "least": self.least,
            "most": self.greatest,
            "below": self.below,
            "above": self.above,
            "fine": fine,
            "bins": [[int(k), int(groups[k])] for k in filled],
        }

    def add_sparse(self, told: Mapping[str, Any]) -> None:
        """Count all that another one has told of itself."""
        fine = int(told["fine"])
        for k, n in told["bins"]:
            self._counts[(k + 1) * fine - 1] += n
        self._beyond[0] += told["below"]
        self._beyond[1] += told["above"]
        self._beyond[2] = min(self._beyond[2], told["least"])
        self._beyond[3] = max(self._beyond[3], told["most"])

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

    def spread(self, most: int = SPREAD_ROWS) -> dict[str, list[int]]:
        """How the times are spread: columns `first_ns`, `last_ns` and `count`.

        Neighbouring bins are taken together, by twos, fours and so on and always from
        the same places, until no more rows than wanted hold anything; empty ones are
        left out.  The first begins with the least time, the last ends with the
        greatest.

        Args:
            most: Rows at most, beside those of times that are beyond the bins.
        """
        filled = np.flatnonzero(self._counts)
        shift = 0
        while len(np.unique(filled >> shift)) > most:
            shift += 1
        groups = np.unique(filled >> shift)
        counts = (
            np.bincount(filled >> shift, self._counts[filled]) if filled.size else ()
        )
        rows = [
            [
                _upper_edge((group << shift) - 1) + 1 if group else 0,
                _upper_edge(min((group + 1) << shift, _BINS) - 1),
                int(counts[group]),
            ]
            for group in groups.tolist()
        ]
        if self.below:
            rows.insert(0, [int(self._beyond[2]), -1, self.below])
        if self.above:
            rows.append([_upper_edge(_BINS - 1) + 1, int(self._beyond[3]), self.above])
        if rows:
            rows[0][0] = max(rows[0][0], int(self._beyond[2]))
            rows[-1][1] = min(rows[-1][1], int(self._beyond[3]))
        columns = zip(*rows, strict=True) if rows else ((), (), ())
        names = ("first_ns", "last_ns", "count")
        return dict(zip(names, map(list, columns), strict=True))


def _upper_edge(bin_: int) -> int:
    """The greatest time, in whole nanoseconds, that a bin holds."""
    octave, step = divmod(bin_, _STEPS)
    if octave == 0:
        return step
    return ((_STEPS + step + 1) << (octave - 1)) - 1
