"""How often a case fails, and when enough is known of it.

On a link whose every run is the same, one try says all.  On others a count of tries has
an exact interval, and whether a smaller case still fails as often is decided by a
sequential probability ratio test (Wald, Annals of Mathematical Statistics 16 (1945)
117): it stops as soon as the tries so far leave no more doubt than was stated.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, log1p

from bench.judge.statistics import binomial_interval

CONFIDENCE = 0.95
"""Of every single decision about a case that fails now and then."""

CLEARLY_LESS = 4
"""A smaller case that fails a quarter as often, or less, is another one."""


@dataclass(frozen=True, slots=True)
class Rate:
    """How often a case failed.

    Attributes:
        failed: How often.
        tries: Of how many times that it was sent.
    """

    failed: int
    tries: int

    def __add__(self, other: Rate) -> Rate:
        return Rate(self.failed + other.failed, self.tries + other.tries)

    def __str__(self) -> str:
        return f"{self.failed} of {self.tries}"

    def interval(self, confidence: float = CONFIDENCE) -> tuple[float, float]:
        """Between which shares its rate lies."""
        return binomial_interval(self.failed, self.tries, confidence)

    def least(self, confidence: float = CONFIDENCE) -> float:
        """Its least rate, one-sided; no rate is nought of a case that has failed."""
        if not self.failed:
            return 0.0
        return binomial_interval(self.failed, self.tries, 2 * confidence - 1)[0]


class Doubt:
    """Whether a case fails at least at a rate, or clearly less often.

    Attributes:
        seen: What is known so far.
    """

    def __init__(self, rate: float, confidence: float = CONFIDENCE) -> None:
        """Begin with no tries.

        Args:
            rate: At which it should fail, in (0, 1).
            confidence: That either answer is right.
        """
        less = rate / CLEARLY_LESS
        self.seen = Rate(0, 0)
        self._step = log(CLEARLY_LESS), log1p(-rate) - log1p(-less)
        self._bound = log(confidence / (1 - confidence))
        self._sum = 0.0

    def add(self, *, failed: bool) -> None:
        """One more try."""
        self.seen += Rate(int(failed), 1)
        self._sum += self._step[not failed]

    @property
    def answer(self) -> bool | None:
        """True: it fails so often; False: clearly less often; None: not known yet."""
        if abs(self._sum) < self._bound:
            return None
        return self._sum > 0
