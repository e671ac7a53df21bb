"""Counts of what was asked and what was answered, and what they say of the nodes."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from bench.link.sight.replies.asked import Kind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.link.sight.replies.asked import Asked

_ALONE = 2
"""So many addresses at most that are answered have a sentence each."""

_ADDRESSES = 256
"""So many foreign addresses have counts of their own; the others share theirs."""

_NAMED = 8
"""Addresses that one sentence names at most."""


class Tally:
    """Counts what was asked, and what was answered.

    Attributes:
        junk: Octets that belong to no answer.
        repeated: Second answers.
        unasked: Answers that nobody asked for, by address.
    """

    def __init__(self) -> None:
        self.junk = self.repeated = 0
        self.unasked: Counter[int | None] = Counter()
        self._kinds: dict[Kind, Counter[str]] = {}
        self._foreign: dict[int | None, Counter[str]] = {}
        self._refusing: dict[int, Counter[str]] = {}

    def add(self, asked: Asked, late: bool) -> None:
        """One packet of which all is known."""
        counts = self._kinds.setdefault(asked.kind, Counter())
        tables = [counts]
        if asked.kind is Kind.FOREIGN:
            known = asked.address in self._foreign or len(self._foreign) < _ADDRESSES
            address = asked.address if known else None
            tables.append(self._foreign.setdefault(address, Counter()))
        if asked.kind in (Kind.OWN, Kind.PROBE):
            tables.append(self._refusing.setdefault(asked.node, Counter()))
        for table in tables:
            table["asked"] += 1
            if asked.answered_ns is not None:
                table["refused" if asked.refused else "answered"] += 1
                table["late"] += late
                table["wrong"] += asked.wrong

    @property
    def mostly_answers_foreign(self) -> bool:
        """Whether more packets for nobody were answered than not."""
        counts = self._kinds.get(Kind.FOREIGN, Counter())
        return 2 * (counts["answered"] + counts["refused"]) > counts["asked"]

    def figures(self) -> dict[str, Any]:
        """Strict JSON."""
        return {
            "packets": {kind.word: _counts(c) for kind, c in self._kinds.items()},
            "foreign": {
                _named(address): _counts(counts)
                for address, counts in self._foreign.items()
            },
            "repeated": self.repeated,
            "unasked": sum(self.unasked.values()),
            "octets_of_no_answer": self.junk,
        }

    def findings(self, names: list[str]) -> list[str]:
        """Faults of nodes, the first to act on first."""
        found = list(self._foreign_answered())
        for kind, counts in self._kinds.items():
            if kind not in (Kind.OWN, Kind.PROBE, Kind.FOREIGN) and (
                said := _said(counts)
            ):
                found.append(f"{said} of {counts['asked']} {kind.several}")
        for node, counts in self._refusing.items():
            if counts["refused"]:
                name = names[node] if node >= 0 else "somebody"
                found.append(
                    f"{name} refused {counts['refused']} of {counts['asked']} packets"
                )
        for address, count in self.unasked.items():
            whose = "" if address is None else f" from address {address}"
            found.append(f"{count} answers{whose} that nobody asked for")
        return found

    def _foreign_answered(self) -> Iterator[str]:
        """Who answered for addresses that are nobody's; one sentence for many."""
        answered = {a: c for a, c in self._foreign.items() if _said(c)}
        if len(answered) <= _ALONE:
            for address, counts in answered.items():
                yield (
                    f"{_said(counts)} of {counts['asked']} packets for address "
                    f"{_named(address)}, which is nobody's"
                )
            return
        whole = sum(answered.values(), Counter[str]())
        first = ", ".join(map(_named, list(answered)[:_NAMED]))
        yield (
            f"{_said(whole)} of {whole['asked']} packets for {len(answered)} "
            f"addresses that are nobody's: {first}"
            f"{' and so on' if len(answered) > _NAMED else ''}"
        )

    def notes(self) -> list[str]:
        """What a reader has to know beside the numbers."""
        notes = []
        if self.junk:
            notes.append(f"{self.junk} octets were heard that belong to no answer")
        own = self._kinds.get(Kind.OWN, Counter())
        if own["late"]:
            notes.append(f"{own['late']} of {own['asked']} answers came late")
        return notes


def _named(address: int | None) -> str:
    return "others" if address is None else str(address)


def _counts(counts: Counter[str]) -> dict[str, int]:
    words = ("asked", "answered", "refused", "late", "wrong")
    return {word: counts[word] for word in words}


def _said(counts: Counter[str]) -> str:
    """How some packets were answered that should not have been; "" if none was."""
    parts = [
        f"{word} {counts[word]}" for word in ("answered", "refused") if counts[word]
    ]
    return " and ".join(parts)
