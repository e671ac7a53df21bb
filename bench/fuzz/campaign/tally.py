"""Attacks × outcomes, summed over the records of a campaign's blocks.

A block of cases leaves one record, plain JSON: how many cases each attack had a part
in, how many of those broke what, and of everything that was broken an example with as
few rows as any.  Records add up in any order, so it does not matter who played which
block, nor in how many sittings.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    Record = Mapping[str, Any]

CASES, FOUND = "cases", "found"


@dataclass(frozen=True, slots=True)
class Example:
    """A case that broke something.

    Attributes:
        oracle: What it broke.
        attacks: The attacks that it is made of.
        case: As `case_dict` of the job wrote it.
    """

    oracle: str
    attacks: tuple[str, ...]
    case: Mapping[str, Any]

    @property
    def rows(self) -> int:
        """How many rows it has."""
        return len(self.case["rows"])


@dataclass(slots=True)
class Tally:
    """What there is so far.

    Attributes:
        cases: How many.
        found: How many of them broke something.
        attacks: By attack: its cases, those that broke something, and by oracle.
        passed: By attack, damaged packets that were sound all the same: errors that
            the check cannot detect.
        seen: What receivers made of packets, by a word for it; empty where nobody can
            tell.
        trial_ns: Time on the line.
        characters: On the line.
        examples: By oracle and attack, the one with the fewest rows.
    """

    cases: int = 0
    found: int = 0
    attacks: dict[str, Counter[str]] = field(default_factory=dict)
    passed: Counter[str] = field(default_factory=Counter)
    seen: Counter[str] = field(default_factory=Counter)
    trial_ns: int = 0
    characters: int = 0
    examples: dict[tuple[str, str], Example] = field(default_factory=dict)

    def add(self, record: Record) -> list[Example]:
        """One more block; the examples of what had not been broken before."""
        self.cases += record["cases"]
        self.found += record["found"]
        self.trial_ns += record["trial_ns"]
        self.characters += record["characters"]
        self.passed.update(record["passed"])
        self.seen.update(record["seen"])
        for attack, counts in record["attacks"].items():
            self.attacks.setdefault(attack, Counter()).update(counts)
        new = []
        for one in record["examples"]:
            attacks = tuple(one["attacks"])
            example = Example(one["oracle"], attacks, one["case"])
            if self._takes(example, one["attack"]):
                new.append(example)
        return new

    def _takes(self, example: Example, attack: str) -> bool:
        """Whether nothing like it was there; the one with fewer rows stays."""
        key = example.oracle, attack
        old = self.examples.get(key)
        if old is None or example.rows < old.rows:
            self.examples[key] = example
        return old is None

    def rows(self, order: Sequence[str]) -> list[dict[str, Any]]:
        """A row for each attack, in an order, for the verdict."""
        known = [name for name in order if name in self.attacks]
        return [_row(name, self.attacks[name]) for name in known]


def _row(name: str, counts: Counter[str]) -> dict[str, Any]:
    by = {key: n for key, n in sorted(counts.items()) if key not in (CASES, FOUND)}
    good = counts[CASES] - counts[FOUND]
    row = {"attack": name, "cases": counts[CASES], "good": good}
    return {**row, "found": counts[FOUND], "by": by}


def record_of(
    cases: Iterable[tuple[Sequence[str], Sequence[str], Mapping[str, Any]]],
    **known: Any,
) -> dict[str, Any]:
    """The record of a block, of what its cases are made of and broke, case by case.

    Args:
        cases: Of each, its attacks, the oracles it broke, and the case itself.
        **known: What else the record holds.
    """
    attacks: dict[str, Counter[str]] = {}
    least: dict[tuple[str, str], dict[str, Any]] = {}
    count = found = 0
    for names, oracles, case in cases:
        count += 1
        found += bool(oracles)
        for name in set(names):
            counts = attacks.setdefault(name, Counter())
            counts[CASES] += 1
            counts[FOUND] += bool(oracles)
            counts.update(set(oracles))
            for oracle in set(oracles):
                take_example(least, (oracle, name), names, case)
    return {
        "cases": count,
        "found": found,
        "attacks": {name: dict(counts) for name, counts in sorted(attacks.items())},
        "examples": list(least.values()),
        "passed": {},
        "seen": {},
        "trial_ns": 0,
        "characters": 0,
        **known,
    }


def take_example(
    least: dict[tuple[str, str], dict[str, Any]],
    key: tuple[str, str],
    names: Sequence[str],
    case: Mapping[str, Any],
) -> None:
    """Take a case as example of an oracle and an attack, if none has as few rows."""
    old = least.get(key)
    if old is None or len(case["rows"]) < len(old["case"]["rows"]):
        oracle, attack = key
        found = {"oracle": oracle, "attack": attack, "attacks": sorted(set(names))}
        least[key] = {**found, "case": dict(case)}


# --- which are worth a look -----------------------------------------------------------


def explained(example: Example, breaks: Iterable[str], attacks: Iterable[str]) -> bool:
    """Whether a smallest case accounts for another one.

    It does if it breaks the same, whatever else it breaks, and if the other one holds
    all that it is made of.
    """
    return example.oracle in breaks and set(attacks) <= set(example.attacks)
