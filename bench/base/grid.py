"""Exact time: integer nanoseconds with the remainder carried.

A character at 3 Mbaud takes 3333 1/3 ns.  Adding rounded steps drifts, and
`k * bits * 10**9` leaves a 64-bit integer after 38 minutes at 4 Mbaud.  So a place in
time is a pair (ns, rem): the whole nanoseconds, and what is left over in units of
1/den ns.  Steps add both and carry.  What is reported is always the whole part, so an
instant is rounded down once, where it is read, and never where it is stepped.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import gcd

NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Grid:
    """Equal steps of num/den nanoseconds.

    Attributes:
        num: Numerator of the step, in ns, lowest terms.
        den: Denominator of the step.
    """

    num: int
    den: int

    @classmethod
    def of(cls, num: int, den: int) -> Grid:
        """The grid with a step of num/den ns.

        Raises:
            ValueError: If the step is not positive.
        """
        if num <= 0 or den <= 0:
            raise ValueError(f"a step must be positive: {num}/{den} ns")
        common = gcd(num, den)
        return cls(num // common, den // common)

    @classmethod
    def of_rate(cls, hz: int, units: int = 1, parts: int = 1) -> Grid:
        """The grid whose step is `units`/`parts` periods of a rate of `hz`.

        A character of 10 bits at a baud is `Grid.of_rate(baud, 10)`; one of 10.5 bits
        `Grid.of_rate(baud, 21, 2)`.
        """
        return cls.of(units * NS_PER_S, hz * parts)

    @property
    def step(self) -> Fraction:
        """One step, in nanoseconds."""
        return Fraction(self.num, self.den)

    def after(self, steps: int, ns: int = 0, rem: int = 0) -> tuple[int, int]:
        """The place `steps` steps after (ns, rem), as (ns, rem)."""
        carry, left = divmod(rem + steps * self.num, self.den)
        return ns + carry, left

    def at(self, steps: int, ns: int = 0, rem: int = 0) -> int:
        """The whole nanoseconds of the place `steps` steps after (ns, rem)."""
        return self.after(steps, ns, rem)[0]
