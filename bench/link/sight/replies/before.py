"""What was on the bus before a good packet was lost, and how long before.

A receiver that trips over something odd loses what comes next: one packet, or all for a
while.  Here every good packet for a node, answered or not, is set against everything
else that was on the bus before it.  For each kind of those, three rules are tried: the
*next* packet is lost; all are, for a *time*; the next one is if it comes within a time.
A rule says that those it speaks of are lost at one rate, and the others at another; the
one that makes what was seen the likeliest is kept, the simplest of equal ones, and what
it speaks of is left out when the next is looked for.  Rules after which nearly all are
lost come first: one that is true now and then must not stand for several that always
are.

A rule is told only where chance is no explanation: Fisher's exact test, one-sided (the
hypergeometric distribution: so many of the lost ones among those that the rule speaks
of, or more), below `CHANCE`, the rules that were tried allowed for (Bonferroni, half of
it for the few rules about the next packet, half for the many about a time).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, lgamma, log
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

CHANCE = 1e-6
"""What a finding has a smaller chance than, if losses did not care for what was before:
a night of trials, each with some rules tried, is to raise no false alarm."""

SHARES = (0.9, 0.1)
"""Of the packets that a rule speaks of, so many are lost at least; the first share is
tried first."""

LEAST_TIMES = 2
"""Their rate of loss is so many times that of the others, at least."""

_KEPT = 1 << 15
"""Packets of one node that are looked at, the first ones."""

_TIMES = 128
"""Times that are tried at most for a rule."""

_MOST_FINDINGS = 4

_GAIN = 5.0
"""By how much, as a logarithm, a rule about a time makes what was seen likelier than
the one about the next packet, and one of both than either: a hundred times and more,
since many times are tried."""


@dataclass(frozen=True, slots=True)
class Deaf:
    """Good packets that were lost after something.

    Attributes:
        kind: What came before, in the words of a sentence.
        next_only: Whether only the next packet is lost.
        within_ns: Only packets that began so long after its end, at most; None: any.
        heard_ns: The least longer time after which one was not lost; None: unknown.
        lost: How many of those were lost.
        of: How many there were.
        others_lost: How many others were lost.
        others: How many others there were.
        chance: Of this, if what came before did not matter; rules tried included.
    """

    kind: str
    next_only: bool
    within_ns: int | None
    heard_ns: int | None
    lost: int
    of: int
    others_lost: int
    others: int
    chance: float

    def __str__(self) -> str:
        """The sentence, without the node."""
        counts = f"{self.lost} of {self.of} lost"
        others = f"{self.others_lost} of {self.others} others"
        if self.within_ns is None:
            return f"deaf to the packet after {self.kind}: {counts}, {others}"
        within = _seconds(self.within_ns)
        if self.next_only:
            return (
                f"deaf to the packet after {self.kind}, if it comes within {within}: "
                f"{counts}, {others}"
            )
        middle = self.within_ns
        if self.heard_ns is not None:
            middle = (self.within_ns + self.heard_ns) // 2
        return (
            f"deaf for about {_seconds(middle)} after {self.kind}: {counts} within "
            f"{within}, {others}"
        )

    def as_dict(self) -> dict[str, Any]:
        """Strict JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


class Before:
    """Keeps what came before the packets for one node."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[int, int]] = {}  # end, packets since
        self._times: dict[str, dict[int, tuple[int, int]]] = {}
        self._lost: list[bool] = []
        self._victims: frozenset[str] = frozenset()

    def other(self, kind: str, end_ns: int) -> None:
        """Something else was on the bus, until an instant."""
        self._last[kind] = end_ns, 0

    def own(self, start_ns: int, lost: bool) -> None:
        """A good packet for the node began."""
        index = len(self._lost)
        if index >= _KEPT:
            return
        self._lost.append(lost)
        for kind, (end_ns, since) in self._last.items():
            place = start_ns - end_ns, since
            self._times.setdefault(kind, {})[index] = place
            self._last[kind] = end_ns, since + 1

    def findings(self, victims: frozenset[str] = frozenset()) -> list[Deaf]:
        """The rules that hold, the one that explains most first.

        Args:
            victims: Kinds that explain nothing, since they were lost themselves.
        """
        self._victims = victims
        lost = np.array(self._lost, np.bool_)
        alive = np.ones(len(lost), np.bool_)
        found: list[Deaf] = []
        while len(found) < _MOST_FINDINGS and lost[alive].any():
            best = None
            for share in SHARES:
                best = best or self._best(lost, alive, share)
            if best is None:
                break
            found.append(best[0])
            alive &= ~best[1]
        return found

    def _best(
        self, lost: NDArray[np.bool_], alive: NDArray[np.bool_], share: float
    ) -> tuple[Deaf, NDArray[np.bool_]] | None:
        """The rule that explains most of what is left, and whom it speaks of."""
        kinds = self._times.keys() - self._victims
        columns = {kind: self._columns(kind, len(lost)) for kind in sorted(kinds)}
        rules = {
            kind: _rules(time, lost & alive) for kind, (time, _) in columns.items()
        }
        timed = sum(len(those) for those in rules.values()) - len(rules)
        best: tuple[float, Deaf, NDArray[np.bool_]] | None = None
        for kind, (time, since) in columns.items():
            for rule in rules[kind]:
                spoken = rule.of(time, since) & alive
                parts = _split(lost, alive, spoken)
                if not _worth(share, *parts):
                    continue
                gain = _likelihood(*parts) - rule.penalty
                if best is not None and gain <= best[0]:
                    continue
                tried = timed if rule.within_ns < inf else len(rules)
                chance = min(1.0, 2 * tried * fisher(*parts))
                if chance < CHANCE:
                    heard = rule.heard(time, since, alive & ~spoken & ~lost)
                    deaf = Deaf(
                        kind, rule.next_only, rule.limit_ns, heard, *parts, chance
                    )
                    best = gain, deaf, spoken
        return None if best is None else best[1:]

    def _columns(
        self, kind: str, count: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """For every packet the time since the last of a kind, and packets since."""
        time = np.full(count, _NEVER)
        since = np.full(count, _NEVER)
        places = self._times[kind]
        index = np.fromiter(places, np.int64, len(places))
        time[index] = [place[0] for place in places.values()]
        since[index] = [place[1] for place in places.values()]
        return time, since


_NEVER = np.int64(1 << 62)


@dataclass(frozen=True, slots=True)
class _Rule:
    """Which packets are lost: the next one, or those within a time, or both."""

    next_only: bool
    within_ns: float

    @property
    def penalty(self) -> float:
        """What it costs: a time, of which many are tried, is to explain more."""
        timed = self.within_ns < inf
        return _GAIN * (timed + (timed and self.next_only))

    def of(
        self, time: NDArray[np.int64], since: NDArray[np.int64]
    ) -> NDArray[np.bool_]:
        """Whom it speaks of."""
        spoken = time < _NEVER
        if self.next_only:
            spoken &= since == 0
        if self.within_ns < inf:
            spoken &= time <= self.within_ns
        return spoken

    @property
    def limit_ns(self) -> int | None:
        """Its time; None for any."""
        return int(self.within_ns) if self.within_ns < inf else None

    def heard(
        self,
        time: NDArray[np.int64],
        since: NDArray[np.int64],
        kept: NDArray[np.bool_],
    ) -> int | None:
        """The least longer time after which one of the others was not lost."""
        if self.within_ns == inf:
            return None
        later = kept & (time > self.within_ns) & (time < _NEVER)
        if self.next_only:
            later &= since == 0
        return int(time[later].min()) if later.any() else None


def _rules(time: NDArray[np.int64], lost: NDArray[np.bool_]) -> list[_Rule]:
    """The rules that are tried for one kind: times at which a packet was lost."""
    times = np.unique(time[lost & (time < _NEVER)])
    if len(times) > _TIMES:
        picked = np.linspace(0, len(times) - 1, _TIMES).astype(np.int64)
        times = times[picked]
    rules = [_Rule(True, inf)]
    for within in times.tolist():
        rules += [_Rule(False, within), _Rule(True, within)]
    return rules


def _split(
    lost: NDArray[np.bool_], alive: NDArray[np.bool_], spoken: NDArray[np.bool_]
) -> tuple[int, int, int, int]:
    """Lost ones and all of those that a rule speaks of; the same of the others."""
    others = alive & ~spoken
    return (
        int((spoken & lost).sum()),
        int(spoken.sum()),
        int((others & lost).sum()),
        int(others.sum()),
    )


def _worth(share: float, inside: int, of: int, outside: int, rest: int) -> bool:
    """Whether enough of those it speaks of are lost, and fewer of the others."""
    enough = of > 0 and inside >= share * of
    return enough and inside * rest >= LEAST_TIMES * outside * of


def _likelihood(inside: int, of: int, outside: int, rest: int) -> float:
    """The logarithm of how likely it was, each part having its own rate of loss."""
    return _own_rate(inside, of) + _own_rate(outside, rest)


def _own_rate(lost: int, of: int) -> float:
    kept = of - lost
    return sum(count * log(count / of) for count in (lost, kept) if count)


def fisher(inside: int, of: int, outside: int, rest: int) -> float:
    """The chance of so many lost inside, or more, if all were lost alike.

    Args:
        inside: Lost ones among `of`.
        of: Those that a rule speaks of.
        outside: Lost ones among the rest.
        rest: The others.
    """
    total, lost = of + rest, inside + outside
    whole = _log_choose(total, lost)
    return min(
        1.0,
        sum(
            exp(_log_choose(of, k) + _log_choose(rest, lost - k) - whole)
            for k in range(inside, min(of, lost) + 1)
            if lost - k <= rest
        ),
    )


def _log_choose(n: int, k: int) -> float:
    return lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1)


def _seconds(ns: int) -> str:
    """A time to two or three figures."""
    if ns >= 1_000_000_000:
        return f"{ns / 1e9:.3g} s"
    if ns >= 1_000_000:
        return f"{ns / 1e9:.2g} s" if ns >= 100_000_000 else f"{ns / 1e6:.3g} ms"
    return f"{ns / 1e3:.3g} us"
