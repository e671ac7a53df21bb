"""Why a packet was not shown as it was sent, in words that can be acted on.

The evidence is what nodes confess (`DROPPED` and `LOST` rows) and what was seen of
their bursts.  For a lost packet it is weighed in this order:

1. Characters of its own span were lost: receiver overrun, and what the processor was
   doing when the first of them went.
2. The node began a packet where it begins, and dropped it: the node's reason; where
   that is that no sync came, what became of the sync, weighed in the same way.
3. No further back than the longest packet before it, characters were lost, or the node
   rejected a packet and had to find the start of the next: swallowed while the receiver
   resynchronised.
4. The node dropped what it took for a packet further inside the span: that reason.
5. A burst that held it was shifted through before it could latch.
6. Else the cause is not known, or, where the link confesses nothing, not observable.

A cause is a number until somebody reads it (`bench.judge.words`), so that a node that
loses everything costs a few array operations and not an object for each packet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import Drop
from bench.judge.kept.history import Tail
from bench.judge.words import DETAILS, Why, code_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from bench.base.columns import Rows, Seen

    Places = NDArray[np.int64]
    Example = dict[str, Any]


_RESYNC = (
    Drop.BAD_CHECK,
    Drop.BAD_LENGTH,
    Drop.BAD_LITERAL,
    Drop.BAD_STUFFING,
    Drop.LINE_ERROR,
    Drop.PAUSE,
    Drop.TOO_SHORT,
    Drop.ABORTED,
)
"""After these a receiver looks for the start of a packet; the others are sound."""

_LEAD = 2
"""A packet begins at its first character on the line, or after a break or a delimiter
that is no part of it."""


class _Told:
    """What one node confesses of one kind, in the order of the line."""

    def __init__(self) -> None:
        self._at: Tail[np.int64] = Tail(np.int64)
        self._what: Tail[np.int64] = Tail(np.int64)

    @property
    def at(self) -> Places:
        """Places, ascending."""
        return self._at.view

    @property
    def what(self) -> Places:
        """What was confessed of each."""
        return self._what.view

    def add(self, at: Places, what: Places) -> None:
        """Take more, which mostly lie beyond all that were taken before."""
        if not len(at):
            return
        seam = max(0, self._at.end - self._at.first - 1)
        self._at.append(at)
        self._what.append(what)
        if np.any(np.diff(self.at[seam:]) < 0):
            order = np.argsort(self.at, kind="stable")
            self.at[:], self.what[:] = self.at[order], self.what[order]

    def forget(self, before: int) -> None:
        """Drop what lies before a place on the line."""
        gone = int(np.searchsorted(self.at, before))
        for column in (self._at, self._what):
            column.forget(column.first + gone)


class Evidence:
    """What nodes confess, as far back as it may still explain a loss."""

    def __init__(self, nodes: int, longest: int, *, dropped: bool, lost: bool) -> None:
        """Begin with nothing.

        Args:
            nodes: How many nodes there are.
            longest: Characters of the longest packet.
            dropped: Whether the link sees what a node drops.
            lost: Whether it sees which characters a receiver loses.
        """
        self._longest = longest
        silent = not dropped and not lost
        self._else = code_of(Why.NOT_OBSERVABLE if silent else Why.NOT_KNOWN)
        self._dropped = [_Told() for _ in range(nodes)]
        self._lost = [_Told() for _ in range(nodes)]

    def add(self, seen: Seen) -> None:
        """Take the confessions of one chunk."""
        for node, rows in _by_node(seen.dropped, len(self._dropped)):
            self._dropped[node].add(rows["first"], rows["reason"])
        for node, rows in _by_node(seen.lost, len(self._lost)):
            self._lost[node].add(rows["at"], rows["doing"])

    def forget(self, before: int) -> None:
        """Drop what cannot explain a packet that begins at a character, or later."""
        for lost in self._lost:
            lost.forget(before - self._longest)
        for dropped in self._dropped:
            # Known by where it began; it may have ended a packet later.
            dropped.forget(before - 2 * self._longest)

    def explain(self, node: int, first: Places, end: Places) -> Places:
        """Causes of the loss of packets.

        Args:
            node: Index of the node that did not show them.
            first: Places of their first characters.
            end: Places after their last ones.
        """
        codes = np.full(len(first), self._else)
        reach = first - self._longest
        lead = first + _LEAD
        began, reason = self._dropped[node].at, self._dropped[node].what
        resync = np.isin(reason, _RESYNC)
        at, doing = self._lost[node].at, self._lost[node].what
        # From the weakest evidence to the strongest.
        _fill(codes, began, reason, (first, end), Why.DROPPED, 0)
        _fill(codes, began[resync], reason[resync], (reach, first), Why.AFTER_DROP, -1)
        _fill(codes, at, doing, (reach, first), Why.AFTER_OVERRUN, -1)
        _fill(codes, began, reason, (first, lead), Why.DROPPED, 0)
        _fill(codes, at, doing, (first, end), Why.OVERRUN, 0)
        return codes

    def lost_within(self, node: int, first: int, end: int) -> list[int]:
        """Which characters of a packet a receiver lost, counted from its first."""
        at = self._lost[node].at
        low, high = np.searchsorted(at, (first, end))
        return [int(place) - first for place in at[low:high]]


def _by_node(rows: Rows, nodes: int) -> Iterator[tuple[int, Rows]]:
    """The rows of each node, in their order."""
    if np.any(np.diff(rows["node"]) < 0):
        rows = rows[np.argsort(rows["node"], kind="stable")]
    edges = np.searchsorted(rows["node"], np.arange(nodes + 1))
    for node in range(nodes):
        yield node, rows[edges[node] : edges[node + 1]]


def _fill(
    codes: Places,
    places: Places,
    details: Places,
    span: tuple[Places, Places],
    why: Why,
    which: int,
) -> None:
    """Set the cause where evidence lies in a span, by the first of it or the last."""
    low = np.searchsorted(places, span[0])
    high = np.searchsorted(places, span[1])
    found = high > low
    index = low if which == 0 else high - 1
    codes[found] = why * DETAILS + details[index[found]]


# --- counted --------------------------------------------------------------------------

_TEXTS_MOST = 64
"""Causes of one kind that are told apart; addresses of strays could be any number."""

_OTHER = "other causes"


@dataclass(slots=True)
class _Cause:
    """One cause: how often, and the earliest example."""

    at: tuple[int, int]
    first: Example
    count: int = 0


class Causes:
    """How often each cause was seen, and where first."""

    def __init__(self) -> None:
        self._causes: dict[str, dict[str, _Cause]] = {}

    def add(
        self,
        what: str,
        text: str,
        at: tuple[int, int],
        example: Example,
        count: int = 1,
    ) -> None:
        """Count a cause.

        Args:
            what: What it caused: "lost", "corrupt", "stray" ...
            text: The cause in words.
            at: When the earliest of them was, and the index of its node.
            example: Where that was.
            count: How many.
        """
        causes = self._causes.setdefault(what, {})
        if text not in causes and len(causes) >= _TEXTS_MOST:
            text = _OTHER
        cause = causes.setdefault(text, _Cause(at, example))
        if at < cause.at:
            cause.at, cause.first = at, example
        cause.count += count

    def take_back(self, what: str, text: str) -> None:
        """One packet was not lost after all."""
        causes = self._causes[what]
        causes[text if text in causes else _OTHER].count -= 1

    def as_list(self, *, every: bool = False) -> list[dict[str, Any]]:
        """Every cause, the most frequent first.

        Args:
            every: Those too that came to nothing.
        """
        listed = [
            {
                "what": what,
                "cause": text,
                "count": cause.count,
                "first": {"ns": cause.at[0], **cause.first},
            }
            for what, causes in self._causes.items()
            for text, cause in causes.items()
            if every or cause.count > 0
        ]
        return sorted(listed, key=lambda c: (-c["count"], c["what"], c["cause"]))
