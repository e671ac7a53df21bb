"""Bit rates that a UART can make: a clock over a divider, and how far off that is.

Every rate is a clock divided by a number on a grid of steps: whole numbers, halves,
eighths, sixty-fourths.  Some dividers below the least regular one may exist beside it.
All is in fractions; an error is made a float only where it is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fractions import Fraction

MOST_ERROR = 0.01
"""A sender is to keep its rate to this (MODBUS over Serial Line V1.02, 3.2)."""


@dataclass(frozen=True, slots=True)
class Rule:
    """How a UART makes its bit rate.

    Attributes:
        clock_hz: The rate at a divider of 1, its oversampling already taken off.
        steps: Steps of the divider in 1.
        least: Least regular divider, in steps.
        most: Greatest divider, in steps.
        beside: Dividers below the least one that exist as well, in steps.
    """

    clock_hz: Fraction
    steps: int = 1
    least: int = 1
    most: int = 0xFFFF
    beside: tuple[int, ...] = ()

    def __str__(self) -> str:
        parts = {1: "whole numbers", 8: "eighths", 16: "sixteenths"}
        steps = parts.get(self.steps, f"steps of 1/{self.steps}")
        return f"{_mega(self.clock_hz)} MHz divided by {steps}"

    @property
    def fastest(self) -> Fraction:
        """The highest rate."""
        least = min([self.least, *self.beside])
        return self.clock_hz * self.steps / least

    def nearest(self, baud: int) -> Made:
        """The rate that comes nearest to one that is wanted.

        Of two that are equally far off the slower one is taken.

        Args:
            baud: What is wanted; positive.
        """
        exact = self.clock_hz * self.steps / baud
        below = exact.numerator // exact.denominator
        regular = (min(max(k, self.least), self.most) for k in (below, below + 1))
        made = [Made(baud, k, self.clock_hz * self.steps / k) for k in regular]
        made += [Made(baud, k, self.clock_hz * self.steps / k) for k in self.beside]
        return min(made, key=lambda one: (abs(one.baud - baud), one.baud))


@dataclass(frozen=True, slots=True)
class Made:
    """A rate that can be made.

    Attributes:
        wanted: What was wanted.
        divider: In steps of the rule.
        baud: What it comes to, exactly.
    """

    wanted: int
    divider: int
    baud: Fraction

    @property
    def error(self) -> Fraction:
        """Made over wanted, less 1."""
        return self.baud / self.wanted - 1

    @property
    def serves(self) -> bool:
        """Whether it is near enough for a sender."""
        return abs(self.error) <= MOST_ERROR


def _mega(hz: Fraction) -> str:
    """A rate in MHz, to seven digits at most."""
    return f"{float(hz / 10**6):.7g}"
