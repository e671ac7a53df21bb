"""A closer look at a case that broke something: made small, told, and kept.

However many cases break the same, few of them are looked into: one that a smallest case
accounts for is not, and of what one oracle says no more than some.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from bench.base.grid import NS_PER_S
from bench.fuzz.campaign.finding import case_of, finding_of, kept_from
from bench.fuzz.campaign.tally import explained
from bench.fuzz.cases import try_case
from bench.fuzz.shrink import Budget, Rate, Shrunk, shrink
from bench.fuzz.shrink.search import Rules

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from bench.base.clock import Clock
    from bench.fuzz.attacks import Attacks
    from bench.fuzz.campaign.finding import Named
    from bench.fuzz.campaign.tally import Example
    from bench.fuzz.cases import Case
    from bench.fuzz.corpus import Corpus
    from bench.fuzz.oracles import Breach
    from bench.link.link import Link

    Finding = dict[str, Any]

BUDGET = Budget(4000, 20 * NS_PER_S)
"""Of a search on simulated nodes, where a try takes milliseconds."""

BUDGET_ON_BOARDS = Budget(1000, 60 * NS_PER_S)
"""Of one on boards."""

ALL_NS, ALL_ON_BOARDS_NS = 60 * NS_PER_S, 300 * NS_PER_S
"""Of all of them together; cases that are found later are kept as they are."""

PER_ORACLE = 3
"""Findings of one oracle that are looked into."""

MOST_ROWS = 21
"""Rows of a case that is put together from some; a case has no room for more."""

MOST = 24
"""Findings of a campaign; a board that is wrong in more ways needs no more notes."""


class Trying(Protocol):
    """Tries one case."""

    def __call__(self, case: Case) -> list[Breach]:
        """What it broke."""
        ...


class Looks:
    """Looks into cases, and remembers what was found.

    Attributes:
        findings: What was found.
        attacks: Who lays and tells cases.
        trying: Tries a case.
    """

    def __init__(
        self,
        attacks: Attacks,
        trying: Trying,
        clock: Clock,
        *,
        certain: bool,
        only: Sequence[str] = (),
        stop: Callable[[], int | None],
    ) -> None:
        """Begin with nothing found.

        Args:
            attacks: Who lays and tells cases.
            trying: Tries a case.
            clock: The bench's clock.
            certain: Whether every run of a case is the same.
            only: Names of the attacks that are drawn; all if empty.
            stop: The number of a signal that came, or None.
        """
        self._only = only
        self._broken: dict[Case, list[str]] = {}
        self._spent_ns = 0
        self._allowed_ns = ALL_NS if certain else ALL_ON_BOARDS_NS
        self.findings: list[Finding] = []
        self.attacks = attacks
        self.trying = trying
        self._rules = Rules(
            clock,
            BUDGET if certain else BUDGET_ON_BOARDS,
            certain=certain,
            stop=stop,
        )

    def wants(self, example: Example) -> bool:
        """Whether a case is worth a look."""
        same = [one for one in self.findings if one["oracle"] == example.oracle]
        if len(same) >= PER_ORACLE or len(self.findings) >= MOST:
            return False
        return not any(
            explained(example, one["breaks"], one["attacks"]) for one in self.findings
        )

    def into(self, example: Example) -> Finding:
        """Make a case small, and tell it."""
        case, led = case_of(example.case), example.case.get("led")
        oracle = None
        for one in self._alone(case, led):
            oracle = self._breaks(one, example.oracle)
            if oracle is not None:
                case = one
                break
        oracle = oracle or example.oracle
        return self.taken(oracle, case, self.shrunk(case, oracle))

    def _alone(self, case: Case, led: int | None) -> Iterator[Case]:
        """Cases that may break the same by themselves.

        In a batch a case follows others, and a node may remember: so it is tried with
        more and more of those that led up to it, and then many times over.
        """
        yield case
        if not self._rules.certain:
            return
        bare = replace(case, before=0)
        yield bare
        many = 0 if led is None else case.number - led + 1
        cases = self.attacks.draw(case.seed, led or 0, many, only=self._only)
        back = 1
        while back < 2 * len(cases):
            rows = np.concatenate([one.rows for one in cases[-1 - back :]])
            yield replace(bare, rows=rows[-MOST_ROWS:])
            if len(rows) >= MOST_ROWS:
                break
            back *= 2
        if len(case.rows):
            times = MOST_ROWS // len(case.rows)
            yield replace(bare, rows=np.tile(case.rows, (times, 1)))

    def _breaks(self, case: Case, oracle: str) -> str | None:
        """What a case breaks when it is tried once, that oracle if it can be; or None.

        Where a case may break nothing this time, it is not looked at beforehand.
        """
        if not self._rules.certain:
            return oracle
        found = [breach.oracle for breach in self.trying(case)]
        return oracle if oracle in found else next(iter(found), None)

    def shrunk(self, case: Case, oracle: str) -> Shrunk:
        """The smallest case that breaks the same."""

        def fails(one: Case) -> Breach | None:
            found = self.trying(one)
            same = [breach for breach in found if breach.oracle == oracle]
            if same:
                self._broken[one] = sorted({breach.oracle for breach in found})
            return same[0] if same else None

        attacks = self.attacks
        left_ns = max(0, self._allowed_ns - self._spent_ns)
        ns = min(self._rules.budget.ns, left_ns)
        rules = replace(self._rules, budget=replace(self._rules.budget, ns=ns))
        shrunk = shrink(
            case, fails, rules, simplest=attacks.simplest, around=attacks.around
        )
        self._spent_ns += shrunk.spent_ns
        return shrunk

    def as_it_is(self, example: Example, why: str) -> Finding:
        """A case that cannot be tried again, since the board is dead."""
        from bench.fuzz.oracles import Breach

        case = case_of(example.case)
        text = "the board shows nothing any more, nor good packets alone"
        breach = Breach(example.oracle, text, "it shows good packets again", why)
        once = Rate(1, 1)
        why = "not made smaller: the board is dead"
        shrunk = Shrunk(case, breach, once, once, 1, 0, why)
        return self.taken(example.oracle, case, shrunk)

    def taken(self, oracle: str, case: Case, shrunk: Shrunk) -> Finding:
        """Take a smallest case for a finding."""
        finding = finding_of(oracle, shrunk, case, self.attacks)
        finding["breaks"] = self._broken.get(shrunk.case, [oracle])
        self._broken.clear()
        self.findings.append(finding)
        return finding


def keep(finding: Finding, corpus: Corpus, named: Named) -> str | None:
    """Keep a finding in a corpus; why that could not be done, or None."""
    from bench.base.errors import UsageError

    try:
        finding["case"] = str(corpus.keep(kept_from(finding, named)))
    except UsageError as error:
        return str(error.fault)
    return None


def on_fresh(attacks: Attacks, make_link: Callable[[], Link]) -> Trying:
    """Tries each case on nodes that are new."""

    def trying(case: Case) -> list[Breach]:
        with make_link() as link:
            return try_case(case, attacks, link)

    return trying
