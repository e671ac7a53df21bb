"""Trials on boards of which everything that was seen is wanted afterwards.

What the nodes showed is kept while the trial goes on.  A link that does not see enough
of them says nothing, and so does a trial that the bench itself spoilt; both are told,
and no figure is made of them.

A command of the user's resets boards: it is begun in the midst of traffic, and how long
it takes, and when in that time they are reset, is its own affair.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.errors import LinkError
from bench.base.grid import NS_PER_S
from bench.judge.verdict import Outcome as Said
from bench.trial.edge.methods import RATE
from bench.trial.edge.probe import Silent, Stopped
from bench.trial.lights import refuse_lights
from bench.trial.links import reaches_lights
from bench.trial.plan import Plan
from bench.trial.runner import run
from bench.trial.sweep.hands import settled
from bench.trial.sweep.point import quiet_tools, refuse_rate
from bench.trial.upset.link import in_one
from bench.trial.upset.traffic import Whole

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bench.base.clock import Clock
    from bench.base.columns import Line, Rows, Seen, Sent
    from bench.link.link import Link
    from bench.profile.model import Profile
    from bench.trial.sweep.point import Way
    from bench.trial.upset.traffic import Traffic

    Stop = Callable[[], int | None]

ENOUGH = -1
"""What stands for a signal where a trial ends because everything has been seen."""

AGAIN_NS = 3 * NS_PER_S
"""How long after a command has ended boards are still watched, at least: a switch that
it threw may take its time."""

LATELY_NS = NS_PER_S
"""A board that showed something within this, or three frames, shows again."""


@dataclass(frozen=True, slots=True)
class Boards:
    """Boards, and how to come by them.

    Attributes:
        way: The way to them.
        clock: Waited on, so that they are at rest before a trial.
        reset: Begins to reset them, and gives what is asked whether that is done: None
            until then, and then what went wrong, or "".
        before: Run before each trial, told the frame rate; says what went wrong, or "".
    """

    way: Way
    clock: Clock
    reset: Callable[[], Callable[[], str | None]] | None = None
    before: Callable[[Mapping[str, str]], str] | None = None


class Keeping:
    """A link that keeps what was seen, and begins something at an instant.

    Attributes:
        why: What went wrong with what was begun, or "".
        ended_ns: When that was over; None: it is not.
        enough_ns: When it was, and every node showed again; None: they do not.
    """

    def __init__(
        self,
        link: Link,
        profile: Profile,
        at_ns: int | None = None,
        begin: Callable[[], Callable[[], str | None]] | None = None,
    ) -> None:
        """Wrap a link.

        Args:
            link: The link.
            profile: Of its nodes.
            at_ns: When something is begun; None: nothing is.
            begin: That.
        """
        self.why = ""
        self.ended_ns: int | None = None
        self.enough_ns: int | None = None
        self._link = link
        self._at_ns = at_ns
        self._begin = None if at_ns is None else begin
        self._asked: Callable[[], str | None] | None = None
        self._seen: list[Seen] = []
        self._last_ns = np.full(len(profile.node), -1, np.int64)
        self.lately_ns = lately_ns(profile)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._link, name)

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:
        """See `Link.carry`."""
        seen = self._link.carry(line, sent)
        self._seen.append(seen)
        if self._at_ns is not None and self.enough_ns is None:
            self._look(seen, line.until_ns)
        return seen

    @property
    def seen(self) -> Seen:
        """Everything that was seen."""
        return in_one(self._seen)

    @property
    def watched(self) -> list[int]:
        """The nodes that it sees."""
        nodes = self._link.observes.nodes
        return [*(range(len(self._last_ns)) if nodes is None else nodes)]

    def _look(self, seen: Seen, now_ns: int) -> None:
        """Begin what is due, and see whether all is over."""
        rows = seen.shown[seen.shown["shown_ns"] >= 0]
        np.maximum.at(self._last_ns, rows["node"], rows["shown_ns"])
        if self._begin is not None and now_ns >= (self._at_ns or 0):
            begin, self._begin = self._begin, None
            self._asked = begin()
        elif self._asked is not None and (why := self._asked()) is not None:
            self._asked, self.ended_ns, self.why = None, now_ns, why
        if self.ended_ns is None:
            return
        again = self._last_ns[self.watched] > now_ns - self.lately_ns
        if self.why or (now_ns - self.ended_ns >= AGAIN_NS and again.all()):
            self.enough_ns = now_ns


def lately_ns(profile: Profile) -> int:
    """Within what time a board that works shows something."""
    return max(LATELY_NS, 3 * NS_PER_S // profile.traffic.frame_rate_hz)


def carried(
    profile: Profile,
    traffic: Traffic,
    seed: int,
    boards: Boards,
    stop: Stop,
    *,
    at_ns: int | None = None,
) -> Keeping:
    """Send a stored schedule to boards, once they are at rest.

    Args:
        profile: The profile.
        traffic: What is sent.
        seed: What draws depend on.
        boards: The boards.
        stop: The number of a signal that came, or None.
        at_ns: When they are reset; None: not at all.

    Raises:
        Stopped: If a signal came.
        Silent: If it says nothing.
        LinkError: If the link is lost.
    """
    if boards.before is not None:
        rate = f"{profile.traffic.frame_rate_hz:g} Hz"
        if why := boards.before({RATE: rate}):
            raise Silent(why)
    if not settled(boards.clock, stop):
        raise Stopped
    plan = Plan(profile, seed, duration_ns=traffic.duration_ns)
    with boards.way.make_link(profile, seed) as link:
        refuse_rate(link, profile.bus.baud)
        if reaches_lights(link.name):
            refuse_lights(plan, boards.way.allowed)
        _refuse_blind(link, times=at_ns is not None)
        keeping = Keeping(link, profile, at_ns, boards.reset)

        def over() -> int | None:
            return stop() or (None if keeping.enough_ns is None else ENOUGH)

        tools = replace(quiet_tools(over), clock=boards.clock)
        ran = run(plan, keeping, tools, Whole(traffic))
    if ran.lost is not None:
        raise LinkError(ran.lost)
    if stop() is not None:
        raise Stopped
    if keeping.why:
        raise Silent(keeping.why)
    if at_ns is not None and keeping.ended_ns is None:
        raise Silent("the command that resets the boards goes on after the traffic")
    if ran.verdict.outcome is Said.VOID:
        raise Silent(ran.verdict.reason)
    return keeping


def _refuse_blind(link: Link, *, times: bool) -> None:
    """Refuse a link that does not see what is wanted.

    Raises:
        Silent: If it does not.
    """
    observes = link.observes
    if not observes.shown or not (observes.data or times):
        raise Silent("not observable: the link does not see what the nodes show")
    if times and not observes.times:
        raise Silent("not observable: the link does not see when the nodes show")


def in_order(shown: Rows) -> Rows:
    """Rows whose first bit is not known, as if it came late enough for any packet."""
    rows = shown.copy()
    unknown = rows["first_bit_ns"] < 0
    rows["first_bit_ns"][unknown] = np.iinfo(np.int64).max // 2
    return rows


def darkest(shown: Rows, from_ns: int, until_ns: int, lately_ns: int) -> int | None:
    """The longest that a node showed nothing from an instant on; None: for ever.

    The last packet that it showed before counts too.

    Args:
        shown: `SHOWN` rows of the node.
        from_ns: The instant.
        until_ns: Up to when packets were sent to it.
        lately_ns: Within what time it shows something, if it does.

    Raises:
        ValueError: If it showed nothing before.
    """
    times = np.sort(shown["shown_ns"][shown["shown_ns"] >= 0])
    times = times[times <= until_ns]
    first = int(np.searchsorted(times, from_ns, "right")) - 1
    if first < 0:
        raise ValueError("it showed nothing before")
    times = times[first:]
    if len(times) < 2 or int(times[-1]) < until_ns - lately_ns:
        return None
    return int(np.diff(times).max())
