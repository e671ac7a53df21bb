"""What is measured beside the packets: bursts and their clocks, gaps, frames and skew.

Whole columns of a chunk go in, totals come out; what is kept does not grow with the
trial.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.judge.histogram import Histogram
from bench.judge.kept.history import Tail

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.base.columns import Rows
    from bench.link.observes import Observes
    from bench.profile.model import Node

    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]

_NONE = np.iinfo(np.int64).max
"""No time yet."""


class Bursts:
    """Clocks and gaps of the bursts of each node.

    A burst whose chains latched in a pause inside it counts as so many bursts; the
    pause is no gap.

    Attributes:
        count: Bursts, shown or shifted through.
        wrong: Those whose clocks were counted and are not the right number.
        marginal: Those with a runt clock, or nearly one.
        least_gap_ns: Shortest clock-idle time between two bursts, on the first lane.
        below: Gaps shorter than the chains need.
        lane_skew_ns: Greatest time between the ends of first and last lane, or -1.
        recent_gap_ns, recent_skew_ns: The same since somebody last asked.
    """

    def __init__(self, nodes: Sequence[Node], observes: Observes) -> None:
        self._clocks = observes.clocks
        self._times = observes.times
        outputs = [node.output for node in nodes]
        self.expected = np.array([output.burst_clocks for output in outputs])
        # A strobe latches whenever it comes: such chains need no gap.
        self._gap_ns = np.array(
            [output.latch_gap_ns * (output.latch == "gap") for output in outputs]
        )
        self.count, self.wrong, self.marginal, self.below = np.zeros(
            (4, len(nodes)), np.int64
        )
        self.least_gap_ns = np.full(len(nodes), _NONE)
        self.lane_skew_ns = np.full(len(nodes), -1)
        self.recent_gap_ns, self.recent_skew_ns = np.full((2, len(nodes)), _NONE)
        self.recent()
        self._skewed = -1, False  # the least of them; whether there is any skew
        self._end_ns = np.full(len(nodes), _NONE)
        self._burst_ns = np.full(len(nodes), -1)

    def add(self, shown: Rows) -> Integers:
        """Take the bursts of a chunk; returns which of them have wrong clocks."""
        if not len(shown):
            return np.empty(0, np.int64)
        node = shown["node"]
        size = len(self.count)
        self.count += np.bincount(node, minlength=size)
        self.marginal += np.bincount(node[shown["marginal"] == 1], minlength=size)
        if self._times:
            skew_ns = shown["lane_skew_ns"]
            np.maximum.at(self.recent_skew_ns, node, skew_ns)
            if skew_ns.max() > self._skewed[0]:
                np.maximum.at(self.lane_skew_ns, node, skew_ns)
                most = self.lane_skew_ns
                self._skewed = int(most.min()), bool(most.max() > 0)
            self._gaps(shown)
        if not self._clocks:
            return np.empty(0, np.int64)
        clocks = shown["clocks"]
        wrong = np.flatnonzero((clocks >= 0) & (clocks != self.expected[node]))
        self.wrong += np.bincount(node[wrong], minlength=size)
        return wrong

    def recent(self) -> tuple[Integers, Integers]:
        """Least gap and greatest skew of each node since the last call."""
        recent = self.recent_gap_ns.copy(), self.recent_skew_ns.copy()
        self.recent_gap_ns[:], self.recent_skew_ns[:] = _NONE, -1
        return recent

    def _gaps(self, shown: Rows) -> None:
        """Measure from the end of each burst to the first clock of the node's next.

        Lanes that go one after another are alike: the first one's end is its own.
        """
        order = np.argsort(shown["node"].astype(np.uint8), kind="stable")
        node, first_ns = shown["node"][order], shown["first_bit_ns"][order]
        end_ns, begun_ns = shown["end_ns"][order], shown["burst_ns"][order]
        if self._skewed[1]:
            end_ns -= np.maximum(shown["lane_skew_ns"][order], 0)
        heads = np.append(0, 1 + np.flatnonzero(node[1:] != node[:-1]))
        lasts = np.append(heads[1:], len(node)) - 1

        def before(column: Integers, last: Integers) -> Integers:
            """The value of each node's burst before; its last ones are kept."""
            moved = np.empty_like(column)
            moved[1:] = column[:-1]
            moved[heads] = last[node[heads]]
            last[node[lasts]] = column[lasts]
            return moved

        ended_ns = before(end_ns, self._end_ns)
        same = before(begun_ns, self._burst_ns) == begun_ns
        known = (ended_ns != _NONE) & ~(same & (begun_ns >= 0))
        gaps = (first_ns - ended_ns)[known]
        node = node[known]
        np.minimum.at(self.least_gap_ns, node, gaps)
        np.minimum.at(self.recent_gap_ns, node, gaps)
        below = node[gaps < self._gap_ns[node]]
        self.below += np.bincount(below, minlength=len(self.below))


_FRAMES_MOST = 1 << 15
"""Frames that are open at most; a number that jumps further ends all before it."""


class Frames:
    """Dropped frames, and the spread of the moments at which one frame is shown.

    A broadcast packet that follows a frame bears its number; its own moments are
    compared with each other.  A frame is open until none of its packets can turn up.

    Attributes:
        skew_ns: The spread of frames.
        recent_ns: The same since somebody last asked.
    """

    def __init__(self) -> None:
        self.skew_ns, self.recent_ns = Histogram(), Histogram()
        self._dropped = 0
        # Two places a frame: its own packets, and a broadcast.
        self._missing: Tail[np.int64] = Tail(np.int64)
        self._seen: Tail[np.int64] = Tail(np.int64)
        self._least: Tail[np.int64] = Tail(np.int64)
        self._most: Tail[np.int64] = Tail(np.int64)
        self._columns = self._missing, self._seen, self._least, self._most

    @property
    def dropped(self) -> int:
        """Frames of which a packet was not shown; one fewer if it turns up."""
        return self._dropped + self._count_missing(self._missing.view)

    def lost(self, frame: Integers, broadcast: Flags, count: int = 1) -> None:
        """Count packets as not shown, or with -1 as shown after all."""
        places, _ = self._places(frame, broadcast)
        np.add.at(self._missing.view, places, count)

    def shown(self, frame: Integers, broadcast: Flags, shown_ns: Integers) -> None:
        """Take the moments at which packets were shown."""
        places, known = self._places(frame, broadcast)
        np.add.at(self._seen.view, places, 1)
        np.minimum.at(self._least.view, places, shown_ns[known])
        np.maximum.at(self._most.view, places, shown_ns[known])

    def close(self, before: int) -> None:
        """Close the frames before one."""
        gone = min(2 * before, self._seen.end) - self._seen.first
        if gone <= 0:
            return
        spread = self._most.view[:gone] - self._least.view[:gone]
        of_several = spread[self._seen.view[:gone] > 1]
        self.skew_ns.add(of_several)
        self.recent_ns.add(of_several)
        self._dropped += self._count_missing(self._missing.view[:gone])
        for column in self._columns:
            column.forget(column.first + gone)

    def recent(self) -> Histogram:
        """The spread of frames that were closed since the last call."""
        recent, self.recent_ns = self.recent_ns, Histogram()
        return recent

    def close_all(self) -> None:
        """Close every frame."""
        self.close(self._seen.end)

    def _places(self, frame: Integers, broadcast: Flags) -> tuple[Integers, Flags]:
        """Where packets of open frames are counted, and which packets those are."""
        if len(frame):
            self._open(int(frame.max()))
        places = 2 * frame + broadcast - self._seen.first
        known = (frame >= 0) & (places >= 0)
        return places[known], known

    def _open(self, frame: int) -> None:
        """Make room for frames up to one."""
        self.close(frame - _FRAMES_MOST)
        if frame - _FRAMES_MOST > self._seen.end // 2:
            for column in self._columns:
                column.restart(2 * frame)
        more = 2 * (frame + 1) - self._seen.end
        if more <= 0:
            return
        self._missing.extend(more)[:] = 0
        self._seen.extend(more)[:] = 0
        self._least.extend(more)[:] = _NONE
        self._most.extend(more)[:] = -1

    @staticmethod
    def _count_missing(missing: Integers) -> int:
        """Frames with anything missing, of whole frames."""
        return int((missing.reshape(-1, 2) > 0).any(axis=1).sum())
