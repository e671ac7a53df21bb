"""Tries cases, remembers what became of them, and keeps the best.

The best so far is there at any moment, however the search ends: its budget may be used
up, somebody may stop it, and a device may die over a try.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from bench.base.errors import LinkError
from bench.base.grid import NS_PER_S
from bench.fuzz.shrink.rate import CONFIDENCE, Doubt, Rate

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from bench.base.clock import Clock
    from bench.base.errors import Fault
    from bench.fuzz.cases import Case
    from bench.fuzz.oracles import Breach

    Fails = Callable[[Case], Breach | bool | None]

_FIRST = 20
"""Tries of a case whose rate is not known; a case that fails once in seven is seen
to fail by then with 95 % confidence."""

_SURE = 5
"""Failures after which its rate is known well enough: all of five put it above a half,
with 95 % confidence."""

_LAST = 10
"""Tries at least on which the rate rests that is told of the smallest case."""


@dataclass(frozen=True, slots=True)
class Budget:
    """What a search may cost.

    Attributes:
        tries: How often a case may be sent.
        ns: How long it may take.
    """

    tries: int = 5000
    ns: int = 60 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Shrunk:
    """The smallest case that was found.

    Attributes:
        case: The case.
        breach: What it broke, as its last failure told it; None if that is not known.
        rate: How often it failed.
        was: How often the case failed that the search began with.
        tries: How often any case was sent.
        spent_ns: How long it took.
        why: Why the search ended.
        lost: Why the link was lost over a try, if it was.
    """

    case: Case
    breach: Breach | None
    rate: Rate
    was: Rate
    tries: int
    spent_ns: int
    why: str
    lost: Fault | None = None


SMALLEST = "nothing smaller fails"
NOT_AGAIN = "not reproduced"


class Over(Exception):  # noqa: N818 (the end of a search, and no error)
    """The search ends here; its text says why."""


class Watched(Protocol):
    """Who is told of every better case, so that it is kept somewhere."""

    def __call__(self, case: Case, breach: Breach | None) -> None:
        """A better case, and what it broke."""
        ...


@dataclass(frozen=True, slots=True)
class Rules:
    """How a search goes.

    Attributes:
        clock: The bench's clock.
        budget: What it may cost.
        certain: Whether every run of a case is the same.
        confidence: Of each decision, where not.
        stop: The number of a signal that came, or None.
        keep: Told of every better case.
    """

    clock: Clock
    budget: Budget = Budget()
    certain: bool = False
    confidence: float = CONFIDENCE
    stop: Callable[[], int | None] = lambda: None
    keep: Watched = lambda case, breach: None  # noqa: ARG005


class Search:
    """A search for a smaller case.

    Attributes:
        best: The smallest case so far that fails.
        breach: What it broke.
    """

    def __init__(self, case: Case, fails: Fails, rules: Rules) -> None:
        self.best = case
        self.breach: Breach | None = None
        self._fails = fails
        self._rules = rules
        self._began_ns = rules.clock.now_ns()
        self._known: set[bytes] = set()
        self._tries = 0
        self._rate = self._was = Rate(0, 0)
        self._least = 1.0

    def begin(self) -> None:
        """See how often the case fails that is there.

        Raises:
            Over: If it does not.
        """
        self._known.add(_key(self.best))
        most, enough = (1, 1) if self._rules.certain else (_FIRST, _SURE)
        while self._was.tries < most and self._was.failed < enough:
            failed = self._try(self.best)
            self._was += Rate(int(failed), 1)
            self._rate = self._was
        if not self._was.failed:
            raise Over(NOT_AGAIN)
        self._least = self._was.least(self._rules.confidence)

    def first_of(self, cases: Iterable[Case]) -> bool:
        """Whether one of these fails; the first that does is the best from then on."""
        return any(self.consider(case) for case in cases)

    def consider(self, case: Case) -> bool:
        """Whether a smaller case fails too; it is the best from then on.

        Raises:
            Over: If nothing more may be tried.
        """
        key = _key(case)
        if key in self._known:
            return False
        before = self.breach
        answer, rate = self._asked(case)
        self._known.add(key)
        if not answer:
            self.breach = before
            return False
        self.best, self._rate = case, rate
        self._rules.keep(case, self.breach)
        return True

    def ended(self, why: str, lost: Fault | None = None) -> Shrunk:
        """What was found, once the search is over."""
        spent_ns = self._rules.clock.now_ns() - self._began_ns
        found = self.best, self.breach, self._rate, self._was, self._tries
        return Shrunk(*found, spent_ns, why, lost)

    def confirm(self) -> None:
        """Try the best case until its rate can be told."""
        most = 0 if self._rules.certain else _LAST
        while self._rate.tries < most:
            before = self.breach
            failed = self._try(self.best)
            self.breach = self.breach if failed else before
            self._rate += Rate(int(failed), 1)

    def _asked(self, case: Case) -> tuple[bool, Rate]:
        """Whether a case fails as often as the first one did, and how often it did."""
        if self._rules.certain:
            failed = self._try(case)
            return failed, Rate(int(failed), 1)
        doubt = Doubt(self._least, self._rules.confidence)
        breach = None
        while doubt.answer is None:
            failed = self._try(case)
            breach = self.breach if failed else breach
            doubt.add(failed=failed)
        self.breach = breach
        return doubt.answer, doubt.seen

    def _try(self, case: Case) -> bool:
        """Send a case once; whether it failed.

        Raises:
            Over: If that may not be.
        """
        rules = self._rules
        if rules.stop() is not None:
            raise Over("stopped")
        if self._tries >= rules.budget.tries:
            raise Over(f"{rules.budget.tries} tries were allowed")
        if rules.clock.now_ns() - self._began_ns >= rules.budget.ns:
            raise Over(f"{rules.budget.ns / NS_PER_S:g} s were allowed")
        self._tries += 1
        came = self._fails(case)
        if not came:
            return False
        self.breach = None if came is True else came
        return True


def with_rows(case: Case, rows: list[list[int]]) -> Case:
    """A case with other rows."""
    return replace(case, rows=np.array(rows, np.int64).reshape(-1, 3))


def searched(search: Search, work: Callable[[Search], None]) -> Shrunk:
    """Search until there is an end of some kind."""
    try:
        search.begin()
        work(search)
        search.confirm()
    except Over as over:
        return search.ended(str(over))
    except LinkError as error:
        return search.ended("the link was lost", error.fault)
    return search.ended(SMALLEST)


def _key(case: Case) -> bytes:
    """Equal for equal cases."""
    rest = [value for name, value in sorted(vars_of(case).items()) if name != "rows"]
    rows = np.ascontiguousarray(case.rows, np.int64)
    return repr((rest, rows.shape)).encode() + rows.tobytes()


def vars_of(case: Case) -> dict[str, object]:
    """The attributes of a case by name."""
    return {name: getattr(case, name) for name in case.__dataclass_fields__}
