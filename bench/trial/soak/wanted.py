"""A bound on the loss that a soak is to reach, and how long that takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.base.errors import Fault, UsageError
from bench.base.grid import NS_PER_S
from bench.base.units import format_count, format_ns, shown
from bench.judge.statistics import packets_needed

CONFIDENCE = 0.95
"""Unless another is stated."""

_FORM = "a rate and a confidence, 1e-6 or 1e-6@0.99"


@dataclass(frozen=True, slots=True)
class Wanted:
    """A bound that is wanted.

    Attributes:
        rate: Of loss, of packets.
        confidence: Of the statement that it is less.
    """

    rate: float
    confidence: float = CONFIDENCE

    @property
    def packets(self) -> int:
        """How many it takes, none of them lost."""
        return packets_needed(self.rate, self.confidence)

    def __str__(self) -> str:
        return f"{self.rate:g}@{self.confidence:g}"

    def told(self, packets_per_s: float) -> str:
        """What it takes, in words.

        Args:
            packets_per_s: To all nodes, as the profile has them.
        """
        text = (
            f"loss below {self.rate:g} at {100 * self.confidence:g} % confidence takes "
            f"{format_count(self.packets)} packets, none of them lost"
        ).replace("\N{NO-BREAK SPACE}", " ")
        if packets_per_s <= 0:
            return text
        takes_ns = round(self.packets / packets_per_s * NS_PER_S)
        return f"{text}: {format_ns(takes_ns, 3)} on the line"


def wanted_of(text: str, where: str = "") -> Wanted:
    """Read a wanted bound.

    Args:
        text: "1e-6", or with its confidence "1e-6@0.95" or "1e-6@95%".
        where: The option.

    Raises:
        UsageError: If it is none.
    """
    rate, at, sure = text.partition("@")
    try:
        confidence = CONFIDENCE
        if at:
            share = sure.strip().removesuffix("%")
            confidence = float(share) / (100 if share != sure.strip() else 1)
        wanted = Wanted(float(rate), confidence)
    except ValueError:
        raise UsageError(Fault("no bound", shown(text), _FORM, where)) from None
    for value in (wanted.rate, wanted.confidence):
        if not (math.isfinite(value) and 0 < value < 1):
            expected = f"{_FORM}, both between 0 and 1"
            raise UsageError(Fault("no bound", shown(text), expected, where))
    return wanted
