"""A spread of times in little room: exact below 2 us, within 1/1024 above.

Sparse, unlike the judge's histogram, and without a kernel: a listener keeps one for
every address that it hears, and most of them hold a handful of different times.
"""

from __future__ import annotations

from collections import Counter

_BITS = 11
"""Upper bits of a time that are kept: bins are at most 1/1024 of their times wide."""


class Spread:
    """Counts of times in nanoseconds, none of them negative.

    Attributes:
        n: How many there were.
        least: The least, exactly; None for none.
        greatest: The greatest, likewise.
    """

    def __init__(self) -> None:
        self._counts: Counter[tuple[int, int]] = Counter()
        self.n = 0
        self.least: int | None = None
        self.greatest: int | None = None

    def add(self, ns: int) -> None:
        """Count one."""
        excess = max(0, ns.bit_length() - _BITS)
        self._counts[excess, ns >> excess] += 1
        self.n += 1
        self.least = ns if self.least is None else min(self.least, ns)
        self.greatest = ns if self.greatest is None else max(self.greatest, ns)

    def quantile(self, percent: int) -> int | None:
        """The nearest-rank percentile, never too small, less than a bin too great."""
        rank = max(1, -(-self.n * percent // 100))
        for excess, upper in sorted(self._counts):
            rank -= self._counts[excess, upper]
            if rank <= 0 and self.greatest is not None:
                return min(((upper + 1) << excess) - 1, self.greatest)
        return None

    def as_dict(self) -> dict[str, int | None]:
        """The figures as strict JSON; None for no times."""
        return {
            "n": self.n,
            "least": self.least,
            "p1": self.quantile(1),
            "p50": self.quantile(50),
            "p99": self.quantile(99),
            "max": self.greatest,
        }
