"""An edge found with trials, decided, and explained.

Short trials find it.  Then the last good value is tried for as long as a deciding trial
takes (RFC 2544, section 24); if it fails that, the search goes on below it with long
trials only.  A bad value needs no longer look: it failed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.judge.statistics import binomial_upper, rates_differ
from bench.trial.edge.probe import number
from bench.trial.edge.search import Bracket, Rating, Search, in_order

if TYPE_CHECKING:
    from fractions import Fraction

    from bench.trial.edge.probe import Prober, Tried
    from bench.trial.edge.search import Edge
    from bench.trial.edge.within import Within
    from bench.trial.sweep.scale import Scale


@dataclass(frozen=True, slots=True)
class Quest:
    """What is looked for.

    Attributes:
        name: What is varied.
        start: One end.
        end: The other.
        scale: What values are.
        within: How close.
        log: Whether the search halves ratios, not differences.
        confidence: Of what is said of the loss.
    """

    name: str
    start: Fraction
    end: Fraction
    scale: Scale
    within: Within
    log: bool
    confidence: float

    def bracket(self, good: Fraction, bad: Fraction) -> Bracket:
        """The bracket between a good and a bad end."""
        return Bracket(good, bad, self.scale, self.within, self.log)

    def text(self, value: Fraction) -> str:
        """A value, and what it is one of."""
        return f"{self.name} = {self.scale.text(value)}"


class NoChange(Exception):  # noqa: N818 (no error of ours)
    """There is no edge between the ends.

    Attributes:
        good: Whether both are good; else neither is.
        ends: What became of them.
    """

    def __init__(self, ends: tuple[Tried, Tried], *, good: bool) -> None:
        super().__init__("no change")
        self.ends = ends
        self.good = good


def find(quest: Quest, prober: Prober) -> dict[str, Any]:
    """Find an edge, decide it, and explain it.

    Args:
        quest: What is looked for.
        prober: Who tries values.

    Returns:
        All there is to say of it, as strict JSON.

    Raises:
        NoChange: If there is none.
        Stopped: If a signal came.
        Silent: If a trial says nothing.
    """
    good, bad = _ends(quest, prober)
    search = Search(quest.bracket(good.value, bad.value), prober.rate)
    for end in (good, bad):
        search.set_right(end.value, end.rating)
    edge = search.edge()
    decided = prober.decide(edge.last_good)
    if decided.rating == Rating.GOOD:
        return told(quest, prober, edge)
    # Short looks are not enough here: below it, everything is looked at for long.
    if decided.value == good.value or prober.decide(good.value).rating != Rating.GOOD:
        raise NoChange((prober.last(good.value), bad), good=False)
    lower = quest.bracket(good.value, decided.value)
    search = Search(lower, lambda value: prober.decide(value).rating, beyond=False)
    for end in (prober.last(good.value), decided):
        search.set_right(end.value, end.rating)
    return told(quest, prober, search.edge())


def _ends(quest: Quest, prober: Prober) -> tuple[Tried, Tried]:
    """The good end and the bad one.

    Raises:
        NoChange: If they are not that.
    """
    start, end = prober.try_shortly(quest.start), prober.try_shortly(quest.end)
    if start.rating == end.rating == Rating.GOOD:
        end = prober.decide(
            quest.end
        )  # a longer look may show what a short one did not
    good = [one for one in (start, end) if one.rating == Rating.GOOD]
    if len(good) != 1:
        raise NoChange((start, end), good=bool(good))
    return (start, end) if good[0] is start else (end, start)


def told(quest: Quest, prober: Prober, edge: Edge) -> dict[str, Any]:
    """An edge, as strict JSON."""
    last, first = prober.last(edge.last_good), prober.last(edge.first_bad)
    worst = first.worst
    return {
        "last_good": number(last.value),
        "last_good_text": last.text,
        "first_bad": number(first.value),
        "first_bad_text": first.text,
        "first_bad_state": first.state.value,
        "cause": worst["cause"],
        "why": worst["reason"],
        "causes": worst.get("causes", []),
        "gives_first": worst.get("gives_first"),
        "marginal": _margin(prober, edge),
        "monotone": edge.monotone,
        "against": [
            prober.last(value).as_dict()
            for value in in_order([*edge.against], last.value)
        ],
        "evidence": _evidence(quest, last, first),
    }


def _margin(prober: Prober, edge: Edge) -> dict[str, Any] | None:
    """Values between, where it may go either way."""
    if edge.margin is None:
        return None
    first, last = (prober.last(value) for value in edge.margin)
    return {
        "first": number(first.value),
        "first_text": first.text,
        "last": number(last.value),
        "last_text": last.text,
        "cause": first.worst["cause"],
    }


def _evidence(quest: Quest, last: Tried, first: Tried) -> dict[str, Any]:
    """How sure that is: what was offered and lost at both, and whether they differ."""
    sides: dict[str, Any] = {}
    for name, one in (("last_good", last), ("first_bad", first)):
        offered, shown = one.count("offered"), one.count("shown")
        lost = offered - shown
        sides[name] = {
            "trials": len(one.records),
            "failed": sum(record["state"] != "pass" for record in one.records),
            "offered": offered,
            "lost": lost,
            "loss_rate": lost / offered if offered else None,
            "loss_upper": binomial_upper(lost, offered, quest.confidence)
            if offered
            else None,
        }
    good, bad = sides["last_good"], sides["first_bad"]
    counts = (bad["lost"], bad["offered"], good["lost"], good["offered"])
    differ = rates_differ(*counts) if good["offered"] and bad["offered"] else None
    return {**sides, "confidence": quest.confidence, "same_rate_chance": differ}
