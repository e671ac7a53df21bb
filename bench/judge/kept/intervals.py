"""What became of the packets, counted by when they were sent.

An interval ends at a place on the line, while packets of it are still on their way.  It
is told once each of them is decided, so that what a host spoilt in one interval is not
put down to the next.  A packet that turns up later still is counted in the earliest
interval that has not been told: the intervals add up to the trial, and a count of one
of them may be below zero.

A burst that shows no packet of ours counts where it was seen.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.judge.histogram import Histogram

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    Integers = NDArray[np.int64]

TIMES = ("first_bit", "shown", "after_sync")
"""What is timed: last bit in to first bit out, to shown; and from the sync to shown."""


@dataclass(slots=True)
class Interval:
    """One interval.

    Attributes:
        place: Of its first packet, in the history.
        end: Packets queued for each node when it ended; None while it goes on.
        begin: The same when it began.
        counts: For each word one number a node; "held" beside the usual ones.
        times: For each of `TIMES` a histogram.
        told: What else is told of it, once it has ended.
    """

    place: int
    begin: Integers
    counts: dict[str, Integers]
    end: Integers | None = None
    unjudged: Integers | None = None
    times: dict[str, Histogram] = field(default_factory=dict)
    told: dict[str, Any] = field(default_factory=dict)

    @property
    def offered(self) -> Integers:
        """Packets for each node that were to be shown."""
        assert self.end is not None
        offered = self.end - self.begin - self.counts["held"]
        return offered if self.unjudged is None else offered - self.unjudged


class Intervals:
    """The intervals that are not told yet, the one that goes on last."""

    def __init__(self, words: Sequence[str], nodes: int) -> None:
        """Nothing sent.

        Args:
            words: What is counted.
            nodes: How many nodes there are.
        """
        self._words = (*words, "held")
        self._nodes = nodes
        self._open = deque([self._begun(0, np.zeros(nodes, np.int64))])

    def add(self, word: str, places: Integers, node: Integers, count: int = 1) -> None:
        """Count packets.

        Args:
            word: What became of them.
            places: Of the packets; -1 for none.
            node: The node of each.
            count: Of each.
        """
        for interval, which in self._sorted(places):
            counts = interval.counts[word]
            counts += count * np.bincount(node[which], minlength=self._nodes)

    def time(self, what: str, places: Integers, times_ns: Integers) -> None:
        """Take times of packets that were shown."""
        for interval, which in self._sorted(places):
            interval.times.setdefault(what, Histogram()).add(times_ns[which])

    def cut(self, place: int, ends: Integers, told: dict[str, Any]) -> None:
        """Let the interval end that goes on.

        Args:
            place: The history's next.
            ends: Packets queued by now for each node.
            told: What else is told of it.
        """
        last = self._open[-1]
        last.end, last.told = ends.copy(), told
        self._open.append(self._begun(place, ends.copy()))

    def leave(self, pending: Integers) -> None:
        """The trial is over, and the last so many packets of each node never counted.

        The last interval has been cut.
        """
        left = pending.copy()
        for interval in reversed(list(self._open)[:-1]):
            assert interval.end is not None
            interval.unjudged = np.minimum(left, interval.end - interval.begin)
            left -= interval.unjudged

    def settled(self, undecided: int, most: int) -> Iterator[Interval]:
        """Take the intervals out of whose packets none is undecided.

        Args:
            undecided: Place of the first packet that is.
            most: So many intervals at most.
        """
        while most > 0 and len(self._open) > 1 and self._open[1].place <= undecided:
            most -= 1
            yield self._open.popleft()

    def _begun(self, place: int, ends: Integers) -> Interval:
        counts = {word: np.zeros(self._nodes, np.int64) for word in self._words}
        return Interval(place, ends, counts)

    def _sorted(self, places: Integers) -> Iterator[tuple[Interval, Any]]:
        """Which of some packets belong to which interval."""
        if not len(places):
            return
        if len(self._open) == 1:
            yield self._open[0], slice(None)
            return
        begins = np.array([interval.place for interval in self._open])
        at = np.maximum(np.searchsorted(begins, places, "right") - 1, 0)
        at[places < 0] = len(begins) - 1
        for k in np.unique(at).tolist():
            yield self._open[k], at == k
