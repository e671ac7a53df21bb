"""Percentiles of times, kept in a histogram that does not grow with the trial."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Times = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Percentiles:
    """Nearest-rank percentiles in ns, rounded up by at most 1/512; and the greatest."""

    p1: int
    p50: int
    p90: int
    p99: int
    greatest: int

    def as_dict(self) -> dict[str, int]:
        """The figures by name, as strict JSON."""
        return {
            "p1": self.p1,
            "p50": self.p50,
            "p90": self.p90,
            "p99": self.p99,
            "max": self.greatest,
        }


class Histogram:
    """Counts of times; exact up to 1023 ns, above that in bins 1/1024 to 1/512 wide.

    A time of 10 + e bits is counted in bin 512 e + its upper ten bits.
    """

    def __init__(self) -> None:
        self._counts = np.zeros(512 * 55, np.int64)  # e is 53 at most
        self._greatest = 0
        self.total = 0

    def add(self, times_ns: Times) -> None:
        """Count times, none of them negative."""
        if not times_ns.size:
            return
        bits = np.frexp(times_ns.astype(np.float64))[1]
        excess = np.maximum(bits - 10, 0).astype(np.int64)
        bins = 512 * excess + (times_ns >> excess)
        self._counts += np.bincount(bins, minlength=self._counts.size)
        self._greatest = max(self._greatest, int(times_ns.max()))
        self.total += times_ns.size

    def merge(self, other: Histogram) -> None:
        """Count all that another one has counted."""
        self._counts += other._counts
        self._greatest = max(self._greatest, other._greatest)
        self.total += other.total

    def percentiles(self) -> Percentiles | None:
        """The percentiles, None if nothing was counted."""
        if not self.total:
            return None
        p1, p50, p90, p99 = map(self._percentile, (1, 50, 90, 99))
        return Percentiles(p1, p50, p90, p99, self._greatest)

    def _percentile(self, percent: int) -> int:
        """The upper edge of the bin that holds the rank, never above the greatest."""
        rank = -(-self.total * percent // 100)
        bin_ = int(np.searchsorted(np.cumsum(self._counts), rank))
        excess = max(0, bin_ // 512 - 1)
        upper = ((bin_ - 512 * excess + 1) << excess) - 1
        return min(upper, self._greatest)
