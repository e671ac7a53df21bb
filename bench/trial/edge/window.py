"""The bauds that each node takes: a window, and its centre.

The sender's baud is moved off to both sides, and for each node it is looked for how far
it still shows everything that it is sent.  A board whose window is narrow, or lies to
one side, has a clock that is off: it is the cheapest margin test there is on site.

The simulated receiver finds each start bit at once and samples in the middle of each
bit.  One that samples some times a bit, as most do, finds the start later and has a
narrower window; what is found here is the most that a board can have.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from bench.trial.edge.probe import Silent, number
from bench.trial.edge.search import Bracket, Rating, Search

if TYPE_CHECKING:
    from bench.trial.edge.find import Quest
    from bench.trial.edge.probe import Prober, Tried

OFFSET = "bus.baud_offset"
"""The path that is varied."""

ENDS = ("-8 %", "8 %")
"""Where it is looked for unless stated: no receiver of 8 data bits gets so far."""

WITHIN = "0.1 %"
"""How close unless stated: a tenth of the budget of one crystal."""

CAUSE = "read at the nodes' own baud, some bits are those beside them"
"""Why characters are lost past the edge."""


@dataclass(frozen=True, slots=True)
class Side:
    """Where one node's window ends.

    Attributes:
        good: The last offset at which it shows everything.
        bad: The first at which it does not; None if it does up to the end.
        monotone: Whether nothing speaks against there being one edge.
    """

    good: Fraction
    bad: Fraction | None
    monotone: bool = True


class Windows:
    """Looks for the windows of all nodes; a value is tried once, for all of them."""

    def __init__(self, quest: Quest, prober: Prober) -> None:
        """Prepare.

        Args:
            quest: What is looked for; its ends lie to both sides of nought.
            prober: Who tries offsets.
        """
        self._quest = quest
        self._prober = prober
        self._known: dict[Fraction, Tried] = {}

    def find(self) -> dict[str, Any]:
        """The window of every node, and the one that all have, as strict JSON.

        Raises:
            Stopped: If a signal came.
            Silent: If a trial says nothing, or a node does not work without an offset.
        """
        low, high = sorted((self._quest.start, self._quest.end))
        calm = self._at(Fraction(0))
        names = [node["name"] for node in calm.records[0].get("nodes", ())]
        if not names:
            raise Silent(f"without an offset: {calm.worst['reason']}")
        for node, name in enumerate(names):
            if self._rate(node, Fraction(0)) != Rating.GOOD:
                raise Silent(f"{name} fails without an offset: {calm.worst['reason']}")
        sides = [
            [self._side(node, end) for end in (low, high)] for node in range(len(names))
        ]
        nodes = [
            self._window(name, *pair) for name, pair in zip(names, sides, strict=True)
        ]
        lows, highs = ([pair[k] for pair in sides] for k in (0, 1))
        least = max(lows, key=lambda side: side.good)
        most = min(highs, key=lambda side: side.good)
        return {
            "nodes": nodes,
            "window": self._window("all", least, most),
            "monotone": all(side.monotone for pair in sides for side in pair),
        }

    def first_bad(self, offset: Fraction) -> Tried:
        """What became of an offset that was tried."""
        return self._known[offset]

    def _side(self, node: int, end: Fraction) -> Side:
        """One end of one node's window."""
        if self._rate(node, end) == Rating.GOOD:
            return Side(end, None)
        quest = self._quest
        bracket = Bracket(Fraction(0), end, quest.scale, quest.within, log=False)
        edge = Search(
            bracket, lambda value: self._rate(node, value), beyond=False
        ).edge()
        return Side(edge.last_good, edge.first_bad, edge.monotone)

    def _rate(self, node: int, value: Fraction) -> Rating:
        """Whether a node shows everything at an offset."""
        records = self._at(value).records
        nodes = [one["nodes"][node] for one in records if "nodes" in one]
        good = len(nodes) == len(records) and all(
            one["offered"] and one["shown"] == one["offered"] for one in nodes
        )
        return Rating.GOOD if good else Rating.BAD

    def _at(self, value: Fraction) -> Tried:
        if value not in self._known:
            self._known[value] = self._prober.try_shortly(value)
        return self._known[value]

    def _window(self, name: str, low: Side, high: Side) -> dict[str, Any]:
        """A window as strict JSON."""
        text = self._quest.scale.text
        made: dict[str, Any] = {"name": name}
        for word, side in (("low", low), ("high", high)):
            made[word] = number(side.good)
            made[f"{word}_text"] = text(side.good)
            made[f"{word}_bad"] = None if side.bad is None else number(side.bad)
        whole = low.bad is not None and high.bad is not None
        centre = (low.good + high.good) / 2
        made["centre"] = number(centre) if whole else None
        made["centre_text"] = text(centre) if whole else None
        return made
