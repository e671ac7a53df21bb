"""An interval told so fully that the whole trial can be summed up from its intervals.

Node by node, with its times as bins, its causes with an example of each new one, and
its extremes.  What a link cannot observe is not told at all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.judge.histogram import Histogram

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.judge.kept.intervals import Interval
    from bench.judge.kept.tally import Tally
    from bench.link.observes import Observes

    Integers = NDArray[np.int64]

_NEVER = np.iinfo(np.int64).max

NODES = 64
"""Of more nodes the extremes are not told node by node: a night of them is to stay
readable."""

_NEED_DATA = ("corrupt", "repeated", "out_of_order", "ambiguous", "late")


class Details:
    """What has been told of a trial, and what is to be told next."""

    def __init__(
        self, tally: Tally, lost_characters: Integers, observes: Observes
    ) -> None:
        """Nothing told.

        Args:
            tally: What is told of.
            lost_characters: Characters that each receiver lost so far; it grows.
            observes: What the link can see.
        """
        self._tally = tally
        self._lost = lost_characters
        self._observes = observes
        self._sums: dict[str, Integers] = {}
        self._causes: dict[tuple[str, str], int] = {}

    def since(self) -> dict[str, Any]:
        """What was seen since the last call, node by node, and causes."""
        told: dict[str, Any] = {"seen_by_node": self._grown()}
        extremes = self._extremes()
        if extremes and len(self._lost) <= NODES:
            told["extremes_by_node"] = extremes
        elif extremes:
            told["extremes"] = _of_all(extremes)
        if causes := self._new_causes():
            told["causes"] = causes
        skew = self._tally.frames.recent().sparse()
        if skew is not None:
            told["skew_bins"] = skew
        return told

    def of(self, interval: Interval) -> dict[str, Any]:
        """What became of the packets of an interval, node by node, and when."""
        shown = interval.times.get("shown", Histogram())
        latency = None
        if shown.n:
            latency = {
                "least": shown.least,
                "p50": shown.quantile(0.5),
                "p99": shown.quantile(0.99),
                "most": shown.greatest,
            }
        by_node = {"offered": interval.offered.tolist()}
        for word, counts in interval.counts.items():
            if self._visible(word) and (word == "shown" or counts.any()):
                by_node[word] = counts.tolist()
        bins = {what: times.sparse() for what, times in interval.times.items()}
        told: dict[str, Any] = {"latency_ns": latency, "packets_by_node": by_node}
        return told | {"latency_bins": {k: b for k, b in bins.items() if b}}

    def _visible(self, word: str) -> bool:
        seen = self._observes
        return seen.shown and (seen.data or word not in _NEED_DATA)

    def _grown(self) -> dict[str, list[int]]:
        """What only grows, by how much; what did not is left out."""
        tally, seen = self._tally, self._observes
        bursts = tally.bursts
        now = {
            "bursts": bursts.count if seen.shown else None,
            "wrong_clocks": bursts.wrong if seen.clocks else None,
            "marginal": bursts.marginal if seen.marginal else None,
            "short_gaps": bursts.below if seen.shown and seen.times else None,
            "lost_characters": self._lost if seen.lost else None,
            "blackouts": tally.blackouts if seen.shown else None,
            "later_sync": tally.later_sync if seen.shown else None,
        }
        grown = {}
        for word, counts in now.items():
            if counts is None:
                continue
            more = counts - self._sums.get(word, np.zeros_like(counts))
            if more.any():
                grown[word] = more.tolist()
            self._sums[word] = counts.copy()
        return grown

    def _extremes(self) -> dict[str, list[int | None]]:
        """Least gaps, greatest skews and latest packets."""
        tally, seen = self._tally, self._observes
        gap_ns, skew_ns = tally.bursts.recent()
        latest_ns = tally.recent_latest()
        if not (seen.shown and seen.times):
            return {}
        now = {
            "least_gap_ns": (gap_ns, gap_ns < _NEVER),
            "lane_skew_ns": (skew_ns, skew_ns >= 0),
            "latest_ns": (latest_ns, latest_ns >= 0),
        }
        return {
            word: _known(values, known)
            for word, (values, known) in now.items()
            if known.any()
        }

    def _new_causes(self) -> list[dict[str, Any]]:
        """Causes by how much they grew; an example beside one that is new."""
        grown = []
        for cause in self._tally.causes.as_list(every=True):
            key = cause["what"], cause["cause"]
            known = key in self._causes
            more = cause["count"] - self._causes.get(key, 0)
            self._causes[key] = cause["count"]
            if more:
                told = {"what": cause["what"], "cause": cause["cause"], "count": more}
                grown.append(told if known else told | {"first": cause["first"]})
        return grown


def _known(values: Integers, known: NDArray[np.bool_]) -> list[int | None]:
    """Numbers as far as there are any."""
    pairs = zip(values.tolist(), known.tolist(), strict=True)
    return [value if there else None for value, there in pairs]


def _of_all(extremes: dict[str, list[int | None]]) -> dict[str, int]:
    """The extremes of all nodes."""
    made = {}
    for word, values in extremes.items():
        known = [value for value in values if value is not None]
        made[word] = min(known) if word.startswith("least") else max(known)
    return made
