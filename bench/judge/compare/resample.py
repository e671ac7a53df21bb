"""How sure a quantile of latency is, and a difference of two.

By the bootstrap: a run is drawn again from itself many times, and the quantile of each
is taken.  Latencies that follow each other are alike, so what is drawn are not packets
but blocks of neighbouring intervals of the log, around the end (the circular block
bootstrap of Politis and Romano, in LePage and Billard, Exploring the Limits of
Bootstrap, 1992, 263).  A block is the square root of their number long: longer than the
usual cube root, since what makes a latency wander, a temperature, takes minutes.  A run
that kept no latencies by interval, or too few, is drawn packet by packet, as if packets
were independent, and that is said.

Quantiles are of type 1 (inverse of the empirical distribution function).  Draws depend
on nothing but a name, so that the same two runs always compare alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, isqrt
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.seeds import stream_key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Integers = NDArray[np.int64]

DRAWS = 2000
"""Enough that an end of a 97.5 % interval hardly moves from draw to draw."""

LEAST_INTERVALS = 8
"""Of fewer intervals there are hardly any ways to draw them again."""

_AT_ONCE = 1 << 22
"""Counts that are drawn at once: memory is bounded, the result is the same."""

BLOCKS = "blocks of neighbouring intervals"
PACKETS = "packets one by one, as if they were independent of each other"


@dataclass(frozen=True)
class Times:
    """Latencies of one run.

    Attributes:
        first_ns: Where each bin begins.
        last_ns: The greatest time of each bin.
        counts: One row an interval, one column a bin; one row only where latencies were
            not kept by interval.
        inside: Whether a quantile is looked for inside of its bin: where bins are wide.
    """

    first_ns: Integers
    last_ns: Integers
    counts: Integers
    inside: bool = False

    @property
    def n(self) -> int:
        """How many there are."""
        return int(self.counts.sum())

    @property
    def drawn(self) -> str:
        """What is drawn again."""
        return BLOCKS if len(self.counts) >= LEAST_INTERVALS else PACKETS

    def quantile(self, p: float) -> float:
        """A quantile of all."""
        return float(self._quantiles(self.counts.sum(axis=0)[None, :], p)[0])

    def again(self, p: float, name: str) -> NDArray[np.float64]:
        """The quantile of each of `DRAWS` runs that are drawn from this one.

        Args:
            p: Which quantile.
            name: What the draws depend on.
        """
        low, high = stream_key(0, f"bootstrap {name}")
        draws = np.random.Generator(np.random.Philox(key=low | high << 64))
        at_once = max(1, _AT_ONCE // max(self.counts.shape))
        made = []
        for done in range(0, DRAWS, at_once):
            many = min(at_once, DRAWS - done)
            if self.drawn == BLOCKS:
                rows = self._of_blocks(draws, many)
            else:
                whole = self.counts.sum(axis=0)
                rows = draws.multinomial(self.n, whole / self.n, size=many)
            made.append(self._quantiles(rows, p))
        return np.concatenate(made)

    def _of_blocks(self, draws: np.random.Generator, many: int) -> Integers:
        """Runs of blocks that are drawn again."""
        count = len(self.counts)
        length = isqrt(count)
        begins = draws.integers(0, count, size=(many, ceil(count / length)))
        taken = (begins[:, :, None] + np.arange(length)) % count
        taken = taken.reshape(many, -1)[:, :count]
        times = np.zeros((many, count))
        np.add.at(times, (np.arange(many)[:, None], taken), 1.0)
        # Exact in binary64 as far as there are fewer than 2^53, and much faster.
        rows: Integers = (times @ self.counts.astype(np.float64)).astype(np.int64)
        return rows

    def _quantiles(self, rows: Integers, p: float) -> NDArray[np.float64]:
        """The quantile of each row of counts; none of them is empty."""
        sums = np.cumsum(rows, axis=1)
        whole = np.maximum(1, sums[:, -1])
        rank = np.maximum(1, np.ceil(whole * p - 1e-9))
        at = np.minimum((sums < rank[:, None]).sum(axis=1), rows.shape[1] - 1)
        last: NDArray[np.float64] = self.last_ns[at].astype(np.float64)
        if not self.inside:
            return last
        own = np.take_along_axis(rows, at[:, None], axis=1)[:, 0]
        before = np.take_along_axis(sums, at[:, None], axis=1)[:, 0] - own
        part = (rank - before) / np.maximum(1, own)
        first = self.first_ns[at]
        within: NDArray[np.float64] = first + np.clip(part, 0, 1) * (last - first)
        return within


def of_intervals(told: Sequence[Mapping[str, Any]]) -> Times | None:
    """Latencies that were kept by interval.

    Args:
        told: Of each interval what `bench.judge.histogram.Histogram.sparse` tells.
    """
    from bench.judge.histogram import Histogram

    rows: list[dict[int, tuple[int, int]]] = []
    for one in told:
        histogram = Histogram()
        histogram.add_sparse(one)
        spread = histogram.spread(1 << 30)
        columns = (spread[word] for word in ("last_ns", "first_ns", "count"))
        rows.append({last: (first, n) for last, first, n in zip(*columns, strict=True)})
    lasts = sorted(set().union(*rows)) if rows else []
    if not lasts:
        return None
    column = {last: k for k, last in enumerate(lasts)}
    counts = np.zeros((len(rows), len(lasts)), np.int64)
    first_ns = np.array(lasts, np.int64)
    for k, row in enumerate(rows):
        for last, (first, n) in row.items():
            counts[k, column[last]] = n
            first_ns[column[last]] = min(first, first_ns[column[last]])
    return Times(first_ns, np.array(lasts, np.int64), counts)


def of_spread(spread: Mapping[str, Sequence[int]]) -> Times | None:
    """Latencies of which only the distribution was kept.

    Args:
        spread: Columns `first_ns`, `last_ns` and `count`.
    """
    if not sum(spread["count"]):
        return None
    first, last, count = (
        np.array(spread[word], np.int64) for word in ("first_ns", "last_ns", "count")
    )
    return Times(first, last, count[None, :], inside=True)


def difference(
    before: Times, after: Times, p: float, confidence: tuple[float, float]
) -> dict[str, Any]:
    """How much longer a quantile is in the second run, as strict JSON.

    Args:
        before: Latencies of the first run.
        after: Of the second.
        p: Which quantile.
        confidence: Shares in (0, 1) of the draws that the interval holds; and that
            `surely_ns` is the lower end of the interval for.
    """
    was, is_ = before.quantile(p), after.quantile(p)
    more = after.again(p, f"after {p}") - before.again(p, f"before {p}")
    tail = (1 - confidence[0]) / 2
    ends = [tail, 1 - tail, (1 - confidence[1]) / 2]
    low, high, surely = np.quantile(more, ends, method="inverted_cdf")
    return {
        "before_ns": round(was),
        "after_ns": round(is_),
        "more_ns": round(is_ - was),
        "low_ns": round(float(low)),
        "high_ns": round(float(high)),
        "surely_ns": round(float(surely)),
        "confidence": confidence[0],
        "draws": DRAWS,
        "drawn": " and ".join(sorted({before.drawn, after.drawn})),
    }
