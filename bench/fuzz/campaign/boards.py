"""Cases on boards: one after another over a link, and what is done when a board dies.

After a case that broke something the board is asked whether it lives: good traffic
alone has to be shown.  One that does not live says nothing more of any case, so either
a command of the user's switches its power off and on, or the work ends, with the case
that was last.  A link that is lost over a case is opened again where its far end is
started with it, and the case is tried once more: a program that ends over it both times
was ended by it.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Protocol

import numpy as np

from bench.base.errors import BenchError, Fault, LinkError
from bench.fuzz.campaign.live import CannotSend, Patience, try_live
from bench.fuzz.campaign.onward import Onward
from bench.fuzz.cases import Case
from bench.link.evidence import NO_EVIDENCE
from bench.trial.safe import leave_safe

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.clock import Clock
    from bench.fuzz.attacks import Attacks
    from bench.fuzz.oracles import Breach
    from bench.link.evidence import Evidence
    from bench.link.link import Link
    from bench.trial.plan import Plan

ALIVE_TRIES = 3
"""A board that shows none of so many times good traffic is dead; once is enough after
a case whose last good packet was not shown."""

SPOILED_SHARE = 0.1
"""More cases than this that the bench did not send as they are leave no pass."""

_REVIVED_TRIES = 20
"""How often it is looked whether a board is back; half a second between."""

_BETWEEN_S = 0.5


class Dead(LinkError):  # noqa: N818 (what a board is)
    """The board lives no more, and nobody brings it back."""


class Tries(Protocol):
    """How one case is tried."""

    def __call__(
        self, case: Case, attacks: Attacks, link: Link, patience: Patience
    ) -> list[Breach]:
        """See `bench.fuzz.campaign.live.try_live`."""
        ...


class Boards:
    """Boards at the far end of a link.

    Attributes:
        revived: How often one was brought back.
        lost: Why the link was lost, if it was.
        left_out: Cases that the link cannot send.
        spoiled: Why the bench did not do what a case says, and how often.
        is_dead: Whether the board is dead, and nobody brings it back.
        at: Place and instant of the link that are free.
    """

    def __init__(
        self,
        attacks: Attacks,
        make_link: Callable[[], Link],
        clock: Clock,
        revive: Callable[[], str] | None = None,
        tries: Tries = try_live,
    ) -> None:
        """Get ready; the link is opened with the first case.

        Args:
            attacks: Who lays cases.
            make_link: A new link; its far end is started with it, if it is a program.
            clock: Waited on while a board comes back.
            revive: Switches a board off and on; what went wrong, or "".
            tries: How one case is tried.
        """
        self.revived = 0
        self.is_dead = False
        self.lost: LinkError | None = None
        self.left_out = 0
        self.spoiled: Counter[str] = Counter()
        self._attacks = attacks
        self._make_link = make_link
        self._clock = clock
        self._revive = revive
        self._tries = tries
        self._patience = Patience()
        self._link: Link | None = None
        self._onward: Onward | None = None

    @property
    def onward(self) -> Onward:
        """The link, opened."""
        if self._onward is None:
            self._link = self._make_link()
            self._onward = Onward(self._link)
        return self._onward

    @property
    def at(self) -> tuple[int, int]:
        """Place and instant, in the link's own terms, at which it is free."""
        return (0, 0) if self._onward is None else self._onward.at

    def tried(self, case: Case) -> list[Breach]:
        """What a case broke; the board lives again, or still, when this returns.

        Raises:
            Dead: If it does not.
            LinkError: If the link is lost and cannot be had again.
        """
        try:
            found = self._sent(case)
        except CannotSend:
            self.left_out += 1
            return []
        except LinkError as error:
            return self._lost(case, error)
        again = 1 if any(one.oracle == "alive" for one in found) else ALIVE_TRIES
        if found and not self._lives(again):
            self._bring_back(f"it shows nothing after case {case.number}")
        return found

    def spoiled_by(self, cases: int) -> list[str]:
        """Why cases say little, if the bench did not do what many of them say."""
        return [
            f"in {count} of {cases} cases: {text}"
            for text, count in self.spoiled.most_common(3)
            if count > SPOILED_SHARE * cases
        ]

    def leave(self, plan: Plan) -> Evidence:
        """Leave lights at the safe level, and let go of the link; how that went."""
        told = NO_EVIDENCE
        if self._link is not None and self._link.most_octets is not None:
            place, at_ns = self.at
            told = leave_safe(self._link, plan, place, at_ns, self.lost)
        self.close()
        return told

    def close(self) -> None:
        """Let go of the link."""
        link, self._link, self._onward = self._link, None, None
        if link is not None:
            link.close()

    def _sent(self, case: Case) -> list[Breach]:
        onward = self.onward
        onward.next_case()
        found = self._tries(case, self._attacks, onward, self._patience)
        self.spoiled.update(onward.evidence().void)
        return found

    def _lives(self, tries: int = ALIVE_TRIES) -> bool:
        """Whether good traffic alone is shown."""
        calm = Case(np.zeros((0, 3), np.int64), 0, 0)
        return any(not self._sent(calm) for _ in range(tries))

    def _lost(self, case: Case, error: LinkError) -> list[Breach]:
        """A link was lost over a case: whose fault is it?"""
        again = self._revive is not None or self._started_with_link()
        if not again:
            self.lost = error
            error.add_note(f"case {case.number} was the last one")
            raise error
        self._bring_back(error.fault.what)
        try:
            return self._sent(case)
        except LinkError as second:
            self._bring_back(second.fault.what)
            return [_ended(second.fault)]

    def _started_with_link(self) -> bool:
        return self._onward is not None and self._onward.name.startswith("child")

    def _bring_back(self, why: str) -> None:
        """Let the board live again.

        Raises:
            Dead: If that cannot be done.
        """
        self.is_dead = True
        fresh = self._started_with_link()
        if self._revive is None and not fresh:
            raise Dead(Fault("the board is dead", why, mend="--revive COMMAND"))
        self.close()
        if self._revive is not None and (wrong := self._revive()):
            raise Dead(Fault("the board is dead, and was not revived", wrong))
        for _ in range(_REVIVED_TRIES):
            try:
                if self._lives(1):
                    self.revived += 1
                    self.is_dead = False
                    return
            except BenchError:
                self.close()
            self._clock.sleep(_BETWEEN_S)
        raise Dead(Fault("the board is dead, and reviving it did not help", why))


def _ended(fault: Fault) -> Breach:
    """What a case breaks over which the far end goes, and goes again."""
    from bench.fuzz.oracles import Breach

    return Breach(
        "gone",
        "whoever is at the far end of the link is gone after it, each time",
        "stay, and show the good packets that follow",
        str(fault),
    )
