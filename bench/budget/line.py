"""The lines of a budget: a value, what it may be, and what is left.

A line that has a limit is judged, and a budget fits if all of those hold.  A caution is
judged too, but does not decide: it rests on a rule of thumb, not on arithmetic.  A line
that lacks an input says which; nobody else is bothered by it.

Values are exact until they are shown.  Room is what puts lines of different units in
one order: the share of the limit that is left, and below zero where it is passed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

    Number = int | float | Fraction

Sense = Literal["most", "least"]


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line.

    Attributes:
        label: What it is about.
        part: The part of the design that it belongs to.
        unit: Of its numbers: ns, Hz, baud, share, characters and the like.
        value: What the profile comes to; None where that cannot be said.
        limit: What it may be; None where nothing limits it.
        sense: Whether the limit is the most or the least that it may be.
        strict: Whether it must keep clear of the limit itself.
        caution: Whether it rests on a rule of thumb, and does not decide.
        aside: Whether it follows from another line, or is close to its limit by design:
            it comes first only when that is broken, and no other is.
        formula: How the value and the limit come about.
        source: Where that stands.
        note: What a person should know beside.
        missing: What is not stated, or why there is no value.
        unbounded: Whether there is none because there is no bound: a limit is passed.
        whose: The nodes that it is about, where there are several kinds.
    """

    label: str
    part: str
    unit: str
    value: Number | None = None
    limit: Number | None = None
    sense: Sense = "most"
    strict: bool = False
    caution: bool = False
    aside: bool = False
    formula: str = ""
    source: str = ""
    note: str = ""
    missing: str = ""
    unbounded: bool = False
    whose: str = ""

    @property
    def name(self) -> str:
        """What it is about, and whose; no two lines of a budget have one."""
        return f"{self.label} ({self.whose})" if self.whose else self.label

    @property
    def margin(self) -> Number | None:
        """What is left up to the limit, in the line's unit."""
        if self.value is None or self.limit is None:
            return None
        left = Fraction(self.limit) - Fraction(self.value)
        return left if self.sense == "most" else -left

    @property
    def holds(self) -> bool | None:
        """Whether the limit is kept; None where nothing is judged."""
        margin = self.margin
        if margin is None:
            return False if self.unbounded and self.limit is not None else None
        return margin > 0 if self.strict else margin >= 0

    @property
    def room(self) -> float | None:
        """The share of the limit, or of a least value, that is left."""
        if self.value is None or self.limit is None:
            return -math.inf if self.holds is False else None
        most, least = Fraction(self.limit), Fraction(self.value)
        if self.sense == "least":
            most, least = least, most
        if most <= 0:
            return 0.0 if least <= most else float(most - least - 1)
        return float(1 - least / most)

    def as_dict(self) -> dict[str, Any]:
        """The line as strict JSON."""
        return {
            "name": self.name,
            "part": self.part,
            "value": _plain(self.value),
            "limit": _plain(self.limit),
            "margin": _plain(self.margin),
            "unit": self.unit,
            "sense": None if self.limit is None else self.sense,
            "holds": self.holds,
            "caution": self.caution,
            "formula": self.formula,
            "source": self.source or None,
            "note": self.note or None,
            "missing": self.missing or None,
        }


@dataclass(frozen=True, slots=True)
class Budget:
    """All lines of a profile.

    Attributes:
        profile: Its name.
        summary: Its line for a person.
        lines: In the order of the way from the bus to the light.
    """

    profile: str
    summary: str
    lines: tuple[BudgetLine, ...]

    @property
    def judged(self) -> list[BudgetLine]:
        """The lines that decide."""
        return [
            line for line in self.lines if line.holds is not None and not line.caution
        ]

    @property
    def fits(self) -> bool:
        """Whether every limit is kept."""
        return all(line.holds for line in self.judged)

    @property
    def first(self) -> BudgetLine | None:
        """The line that gives way first, or has most: the one with the least room."""
        ranked = [line for line in self.judged if not (line.aside and line.holds)]
        return min(ranked, key=_order, default=None)

    @property
    def tightest(self) -> str:
        """The name of that line."""
        return self.first.name if self.first else ""

    def __getitem__(self, name: str) -> BudgetLine:
        for line in self.lines:
            if line.name == name:
                return line
        raise KeyError(name)

    def __contains__(self, name: object) -> bool:
        return any(line.name == name for line in self.lines)

    def as_dict(self) -> dict[str, Any]:
        """The budget as strict JSON."""
        return {
            "profile": self.profile,
            "summary": self.summary,
            "fits": self.fits,
            "tightest": self.tightest or None,
            "lines": [line.as_dict() for line in self.lines],
        }


def _order(line: BudgetLine) -> tuple[bool, bool, bool, float]:
    """Broken lines first, those with a figure before others, least room first."""
    room = 0.0 if line.room is None else line.room
    return bool(line.holds), line.value is None, line.aside, room


def _plain(number: Number | None) -> int | float | None:
    """A number as JSON has it."""
    if number is None or isinstance(number, int):
        return number
    exact = Fraction(number)
    return exact.numerator if exact.denominator == 1 else float(exact)


def of_group(
    lines: Sequence[BudgetLine], names: Sequence[str], *, alone: bool
) -> list[BudgetLine]:
    """Lines of one kind of node, named after it where there are several kinds."""
    if alone:
        return list(lines)
    whose = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
    return [replace(line, whose=whose) for line in lines]
