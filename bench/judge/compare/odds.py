"""Two counts of events, compared exactly.

Given how many events there were in all, their split over two runs follows Fisher's
noncentral hypergeometric law, whose one parameter is the ratio of the odds (R. A.
Fisher, J. Royal Statist. Soc. 98 (1935) 39).  A test and an interval of that ratio need
no approximation.  Where events are rare, the ratio of odds is that of rates.

Independence is assumed as everywhere: losses that come in bunches say less.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_WIDEST = 80.0
"""Logarithms of ratios of odds are looked for up to this: e^80 is beyond counting."""

_STEPS = 100
"""Halvings: more than a binary64 has bits."""


class Counts:
    """Events in two runs."""

    def __init__(self, before: tuple[int, int], after: tuple[int, int]) -> None:
        """Take them.

        Args:
            before: Events of the first run, and of how many.
            after: The same of the second.

        Raises:
            ValueError: If there are more events than there can be.
        """
        for events, trials in (before, after):
            if not 0 <= events <= trials:
                raise ValueError(f"{events} events in {trials} trials")
        self._before, self._after = before, after
        both = before[0] + after[0]
        self._least = max(0, both - before[1])
        self._most = min(both, after[1])
        self._away, self._logs = self._ways()

    def more(self) -> float:
        """The chance of so many events in the second run, or more, at one rate.

        Fisher's exact test, one-sided.
        """
        if self._after[0] == self._least:
            return 1.0
        return self._tail(0.0, upper=True)

    def odds(self) -> float | None:
        """The second run's odds over the first one's, as counted; None if undefined."""
        (lost, all_), (lost_b, all_b) = self._before, self._after
        below = lost * (all_b - lost_b)
        return lost_b * (all_ - lost) / below if below else None

    def interval(self, confidence: float) -> tuple[float, float | None]:
        """The interval of the ratio of odds, second over first.

        Each end leaves (1 - confidence)/2 outside (Cornfield, Proc. 3rd Berkeley Symp.
        4 (1956) 135).

        Args:
            confidence: Share in (0, 1) that it holds, at least.

        Returns:
            Low and high; None for no upper limit.
        """
        tail = (1 - confidence) / 2
        low: float = 0.0
        high: float | None = None
        if self._after[0] > self._least:
            low = float(np.exp(_root(lambda x: self._tail(x, upper=True) - tail)))
        if self._after[0] < self._most:
            high = float(np.exp(_root(lambda x: tail - self._tail(x, upper=False))))
        return low, high

    def _ways(self) -> tuple[Floats, Floats]:
        """Every split that could be, and the logarithm of how many ways it has.

        Splits are told by how far from the one that was seen.
        """
        both = self._before[0] + self._after[0]
        splits = np.arange(self._least, self._most + 1, dtype=np.float64)
        ways = _ways(self._after[1], splits) + _ways(self._before[1], both - splits)
        return splits - self._after[0], ways - ways.max()

    def _tail(self, log_odds: float, *, upper: bool) -> float:
        """The chance of the split that was seen, and of those beyond it."""
        away = self._away
        logs = self._logs + log_odds * away
        chances = np.exp(logs - logs.max())
        beyond = away >= 0 if upper else away <= 0
        return float(min(1.0, chances[beyond].sum() / chances.sum()))


def _ways(many: float, few: Floats) -> Any:
    """The logarithm of the number of ways to choose some of many."""
    from scipy.special import gammaln

    return gammaln(many + 1) - gammaln(few + 1) - gammaln(many - few + 1)


def _root(rising: Callable[[float], float]) -> float:
    """Where a rising function passes nought, between the widest ends."""
    low, high = -_WIDEST, _WIDEST
    for _ in range(_STEPS):
        middle = (low + high) / 2
        if rising(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def surely_more(chances: list[float], level: float) -> list[bool]:
    """Which of several tests say so, with one chance in all of a false alarm.

    Holm, Scandinavian J. Statist. 6 (1979) 65: the smallest chance is held against the
    level over the number of tests, the next one against the level over one fewer, until
    one is not below.

    Args:
        chances: What each test came to.
        level: The chance that any of them says so although nothing is more.
    """
    says = [False] * len(chances)
    order = sorted(range(len(chances)), key=lambda k: chances[k])
    for done, k in enumerate(order):
        if chances[k] > level / (len(chances) - done):
            break
        says[k] = True
    return says
