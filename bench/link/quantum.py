"""Times that come in multiples of something: a latency timer, a coarse clock.

An adapter that hands octets over when its timer says so makes every round trip a whole
number of its periods, and people blame the node.  Here that is found from the times
alone: a *quantum* is the largest step of which nearly all times are multiples, where at
least two multiples that follow each other occur.

Why two: times that are all alike are one slow answer just as well, and nothing in them
tells the two apart.  Who can choose when he asks does so (pauses of many lengths): then
the times from answer to answer tell.  The step is what lies between the multiples, so
that what is added to every one of them (a line, a system call) does not change it.

Two heaps of times that happen to lie at once and twice a step pass for a quantum.  With
the tolerance here that is a chance of some percent for two heaps anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Times = NDArray[np.int64]

FEWEST = 20
"""Fewer times say nothing of this kind."""

LEAST_SHARE = 0.9
"""Of all times, so many are near a multiple at least: a desktop delays some."""

LEAST_OF_ONE = 0.02
"""Each of the two multiples that tell the step has so much of all times at least."""

MOST_FIRST = 4
"""The smallest multiple that occurs is no greater: of thirty steps each a few percent
away from a whole number, everything is a multiple."""

_TOLERANCE_NS = 100_000
"""What a desktop adds to a time at will: some tens of microseconds, rounded up."""

_TRIED = 64
"""Times, spread over all of them, that are tried as the first multiples of a step."""


@dataclass(frozen=True, slots=True)
class Quantum:
    """A step of which times are multiples.

    Attributes:
        ns: The step.
        within_ns: Times so near to a multiple, or nearer, were counted as that.
        multiples: How many times there were of each multiple that occurred.
        off: How many times were near none.
    """

    ns: int
    within_ns: int
    multiples: dict[int, int]
    off: int

    @property
    def share(self) -> float:
        """Share of the times that are multiples."""
        near = sum(self.multiples.values())
        return near / (near + self.off)

    def as_dict(self) -> dict[str, Any]:
        """The same as strict JSON."""
        return {
            "ns": self.ns,
            "within_ns": self.within_ns,
            "multiples": {str(k): n for k, n in self.multiples.items()},
            "off": self.off,
            "share": self.share,
        }


def find_quantum(times_ns: ArrayLike) -> Quantum | None:
    """The step of which times are multiples, None where they are not.

    Args:
        times_ns: Round trips, or times from one answer to the next, in any order.

    Returns:
        None also where there are fewer than `FEWEST` times, or where all of them are
        the same multiple.
    """
    times: Times = np.sort(np.asarray(times_ns, np.int64).reshape(-1))
    times = times[times > 0]
    if times.size < FEWEST:
        return None
    tried = times[np.linspace(0, times.size - 1, _TRIED).astype(np.int64)]
    steps = {int(time) // k for time in tried for k in range(1, MOST_FIRST + 1)}
    for step in sorted(steps, reverse=True):
        if step < 2 * _TOLERANCE_NS:
            return None
        counted = _counted(times, step)
        if counted is None:
            continue
        # Once more with the step that the multiples themselves are apart.
        better = _counted(times, _apart(times, counted))
        return better or counted
    return None


def tolerance_ns(step_ns: int) -> int:
    """How far from a multiple of a step a time may be."""
    return min(max(step_ns // 50, _TOLERANCE_NS), step_ns // 8)


def _counted(times: Times, step: int) -> Quantum | None:
    """The times counted by multiples of a step, None where it is no quantum."""
    within = tolerance_ns(step)
    near = np.rint(times / step).astype(np.int64)
    good = (near >= 1) & (np.abs(times - near * step) <= within)
    found, counts = np.unique(near[good], return_counts=True)
    multiples = dict(zip(found.tolist(), counts.tolist(), strict=True))
    quantum = Quantum(step, within, multiples, int(times.size - good.sum()))
    enough = max(2.0, LEAST_OF_ONE * times.size)
    full = {k for k, n in multiples.items() if n >= enough}
    told = any(k + 1 in full for k in full) and min(full) <= MOST_FIRST
    return quantum if told and quantum.share >= LEAST_SHARE else None


def _apart(times: Times, quantum: Quantum) -> int:
    """The step as the multiples are apart: slope of the medians, by least squares.

    Each multiple weighs by how often it occurred.
    """
    near = np.rint(times / quantum.ns).astype(np.int64)
    good = np.abs(times - near * quantum.ns) <= quantum.within_ns
    places = np.array(list(quantum.multiples), np.float64)
    weights = np.array(list(quantum.multiples.values()), np.float64)
    medians = np.array(
        [np.median(times[good & (near == k)]) for k in quantum.multiples], np.float64
    )
    mean = np.average(places, weights=weights)
    aside = places - mean
    slope = (weights * aside * medians).sum() / (weights * aside * aside).sum()
    return round(float(slope))
