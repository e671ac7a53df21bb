"""Errors that a check cannot detect: how many passed, beside how many should.

A check of w bits finds every single bit error, every burst of at most w bits, and a
wrong value in its own field.  Of bursts one bit longer a share of 2^-(w-1) passes, of
longer ones 2^-w (theory of cyclic codes; sums do worse).  What passes so is no bug of a
board, and no oracle says that it is; but if far more passes than should, something is
wrong with the check or with the bench.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.fuzz.attacks.kinds import NUMBER_OF
from bench.judge.statistics import binomial_interval

if TYPE_CHECKING:
    from bench.fuzz.attacks import Attacks
    from bench.fuzz.batch import Ran

__all__ = ["Chance", "chances"]

_CONFIDENCE = 0.999999
_NEVER = ("bit-error", "check-value")
_SELDOM = "bit-burst"


@dataclass(frozen=True, slots=True)
class Chance:
    """One attack that a check should find out.

    Attributes:
        attack: Its name.
        tried: How often it was tried.
        passed: How often a receiver that follows the profile took it for sound.
        expected: The share that may pass at most.
        plausible: Whether chance explains what passed, with 99.9999 % confidence.
    """

    attack: str
    tried: int
    passed: int
    expected: float
    plausible: bool


def chances(ran: Ran, attacks: Attacks) -> list[Chance]:
    """What passed of attacks whose share is known; none where there is no CRC."""
    rule = attacks.ground.form.layout.check
    if rule is None or not rule.check.poly:
        return []
    told = []
    for name in (*_NEVER, _SELDOM):
        tried, passed = (int(n[NUMBER_OF[name]]) for n in (ran.tried, ran.passed))
        if not tried:
            continue
        expected = 2.0 ** (1 - rule.check.width) if name == _SELDOM else 0.0
        low, _ = binomial_interval(passed, tried, _CONFIDENCE)
        told.append(Chance(name, tried, passed, expected, low <= expected))
    return told
