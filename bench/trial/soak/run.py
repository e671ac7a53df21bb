"""A night from its first character to its last: one trial after another.

Each stretch is a trial of the one runner, with a plan, a seed and a link of its own,
and all of them are one ledger.  A stretch ends where the night does; where something is
to change; where somebody asks for a pause; and where the link is lost, which is then
waited for.  Whatever it was is one record with its length, written when it is over.
"""

from __future__ import annotations

from enum import IntEnum
from functools import partial
from typing import TYPE_CHECKING, Any

from bench.base.errors import LinkError
from bench.base.grid import NS_PER_S
from bench.base.seeds import stream_key
from bench.base.units import format_ns
from bench.link.observes import EVERYTHING
from bench.trial.plan import Plan
from bench.trial.runner import Tools, nothing_sent, run
from bench.trial.soak.host import Host
from bench.trial.soak.link import StretchLink, why_of
from bench.trial.soak.readings import Readings
from bench.trial.soak.rests import Rests

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from bench.link.link import Link
    from bench.trial.runner import Outcome, Progress
    from bench.trial.soak.asked import Before, Request, Ways
    from bench.trial.soak.changes import Change
    from bench.trial.soak.records import Book
    from bench.trial.soak.rests import Around


class Ends(IntEnum):
    """Why a stretch is told to stop, where it is no signal."""

    TIME = -1
    PACKETS = -2
    LOSSES = -3
    BOUND = -4
    PAUSE = -5


_SAID = {
    Ends.TIME: "time",
    Ends.PACKETS: "packets",
    Ends.LOSSES: "losses",
    Ends.BOUND: "bound",
}


class Soak:
    """One night.

    Attributes:
        stopped_by: What ended it: "time", "packets", "losses", "bound" or "signal".
        from_ns: Time on the line at which we began.
        away: Why the link is away, if it was when the night ended.
    """

    def __init__(
        self,
        request: Request,
        ways: Ways,
        book: Book,
        around: Around,
        before: Before,
    ) -> None:
        """Nothing sent by us.

        Args:
            request: What is asked for.
            ways: How nodes are reached.
            book: Where all is written down.
            around: Everything else.
            before: What is there of it already.
        """
        self._request, self._ways = request, ways
        self._book, self._around = book, around
        self._host = Host(around.clock, around.system, book.happened, hurried=ways.live)
        self._rests = Rests(around, book, self._host, self._over)
        self._ready: Link | None = None
        self._readings = Readings(request.reading, around.commands, book.event)
        self._enough: Ends | None = None
        self._profile = request.profile
        self._next = 0
        self._first_stretch = before.stretch
        self._took_ns = before.total_ns or before.awake_ns
        self._counts_before: dict[str, Any] = {}
        self.from_ns = before.base_ns
        self.stopped_by = ""
        self.away: str | None = None
        book.host = self._host
        book.awake_before_ns, book.total_before_ns = before.awake_ns, before.total_ns
        book.stretch, book.number = before.stretch, before.number
        book.base_ns = before.base_ns
        while self._due() is not None:  # what was obeyed before
            self._obeyed()

    # --- performed --------------------------------------------------------------------

    def perform(self) -> Outcome | None:
        """Go on until something ends it; how the last stretch ended.

        Raises:
            BenchError: As `bench.trial.runner.run` does; of a link, only before it took
                anything for the first time.
        """
        outcome: Outcome | None = None
        self._host.begin()
        try:
            while (reason := self._over()) is None:
                if (change := self._due()) is not None:
                    self._obey(change)
                elif self._around.paused():
                    self._rests.pause()
                else:
                    outcome = self._stretch() or outcome
        finally:
            if self._ready is not None:
                self._ready.close()
        self.stopped_by = "signal" if reason > 0 else _SAID[Ends(reason)]
        return outcome

    def _over(self) -> int | None:
        """Why the night is over; None if it is not."""
        signal = self._around.stop()
        if signal is not None:
            return signal
        if self._enough is not None:
            return self._enough
        left_ns = self._left_ns()
        return Ends.TIME if left_ns is not None and left_ns <= 0 else None

    def _left_ns(self) -> int | None:
        """How much of the night is left; None: no end is set."""
        length_ns = self._request.duration_ns
        if length_ns is None:
            return None
        if not self._ways.live:
            return length_ns - self._book.base_ns
        awake_ns, total_ns = self._host.since_ns()
        passed_ns = awake_ns if total_ns is None else total_ns
        return length_ns - self._took_ns - passed_ns

    def _asked(self) -> int | None:
        """Asked often while a stretch is on: why it is to end; None if it is not."""
        self._host.look()
        self._readings.look(self._around.clock.now_ns())
        signal = self._around.stop()
        if signal is not None:
            return signal
        if self._enough is not None:
            return self._enough
        if self._around.paused():
            return Ends.PAUSE
        if self._ways.live:
            left_ns = self._left_ns()
            if left_ns is not None and left_ns <= 0:
                return Ends.TIME
        return None

    # --- a stretch --------------------------------------------------------------------

    def _stretch(self) -> Outcome | None:
        """One stretch; None if its link could not be had."""
        book = self._book
        first = book.stretch == self._first_stretch
        seed = seed_of(self._request.seed, book.stretch)
        try:
            link = self._take_up(seed)
        except LinkError as error:
            if first:
                raise
            self._wait_for_link(why_of(error))
            return None
        plan = self._plan(seed)
        book.live, book.link_lost, book.trial_ns = self._ways.live, False, 0
        self._counts_before = totals(book)
        text = f"stretch {book.stretch}, seed {seed}"
        book.event("stretch began", text, seed=seed, sets=list(self._sets()))
        with link:
            outcome = self._carried(plan, link, first=first)
            if outcome is not None:
                self._close(plan, link, outcome)
        if link.lost:
            self._wait_for_link(link.why)
        return outcome

    def _take_up(self, seed: int) -> StretchLink:
        """The link of a stretch: the one that was waited for, or a new one."""
        link, self._ready = self._ready, None
        if link is None:
            link = self._ways.make_link(self._profile, seed)
        return StretchLink(link, self._request.interval_ns)

    def _wait_for_link(self, why: str) -> None:
        """The link is away; the night is over if it does not come back in time."""
        ways, seed = self._ways, seed_of(self._request.seed, self._book.stretch)
        make_link = partial(ways.make_link, self._profile, seed)
        self.away = why
        self._ready = self._rests.for_link(why, make_link, ways.away_ns)
        if self._ready is not None:
            self.away = None
        elif self._enough is None:
            self._enough = Ends.TIME

    def _carried(self, plan: Plan, link: StretchLink, *, first: bool) -> Outcome | None:
        """The trial on one link; None if the link took nothing, and is waited for."""
        book, around = self._book, self._around
        tools = Tools(
            around.clock,
            _Noticing(book, link),
            _Watching(self._progress),
            self._asked,
            interval_ns=self._request.interval_ns,
            beside=partial(self._beside, link),
        )
        try:
            return run(plan, link, tools)
        except LinkError as error:
            if first:
                raise
            nothing = nothing_sent(plan, EVERYTHING, tools)
            self._end_stretch(link, nothing, why_of(error))
            book.stretch += 1
            return None

    def _plan(self, seed: int) -> Plan:
        """What the stretch is to do."""
        request, book = self._request, self._book
        ends = [self._left_ns()]
        if self._next < len(request.changes):
            ends.append(request.changes[self._next].at_ns - book.base_ns)
        left_ns = min((ns for ns in ends if ns is not None), default=None)
        packets = None
        if request.packets is not None:
            sent = totals(book).get("offered") or 0
            packets = max(1, request.packets - sent)
        if left_ns is None and packets is None:
            left_ns = _ENDLESS_NS
        return Plan(self._profile, seed, packets, left_ns)

    def _beside(self, link: StretchLink, until_ns: int) -> Mapping[str, Any]:
        """What goes into the record of an interval that ends now."""
        self._book.trial_ns = until_ns
        beside = {
            **self._book.times(),
            "host": self._host.load(),
            "lately": link.look(until_ns),
        }
        readings = self._readings.taken()
        return beside | ({"readings": readings} if readings else {})

    def _close(self, plan: Plan, link: StretchLink, outcome: Outcome) -> None:
        """A stretch is over."""
        book, signal = self._book, outcome.signal
        took_ns = outcome.trial_ns
        whole = signal is None and outcome.lost is None
        if whole:
            frame_ns = int(2 * NS_PER_S / plan.profile.traffic.frame_rate_hz)
            length_ns = plan.duration_ns
            if length_ns is None or took_ns < length_ns - frame_ns:
                self._enough = Ends.PACKETS
            else:
                took_ns = max(took_ns, length_ns)  # the line rested to its end
        self._end_stretch(link, outcome, outcome.lost)
        book.base_ns += took_ns
        book.trial_ns = 0
        book.stretch += 1

    def _end_stretch(
        self, link: StretchLink, outcome: Outcome, lost: str | None
    ) -> None:
        """Write down what a link and its judge know beside the intervals."""
        figures, verdict = outcome.verdict.figures, outcome.verdict
        silent = [node.get("silent_packets") for node in figures["nodes"]]
        observed = [node["observed"] for node in figures["nodes"]]
        if lost is not None and all(
            count for count, seen in zip(silent, observed, strict=True) if seen
        ):
            silent = [0] * len(silent)  # it was the link that said nothing more
        evidence = link.evidence()
        # Without packets to judge the judge says so; a night has other stretches.
        record = {
            "silent_by_node": silent,
            "observed": observed,
            "shown_on": figures["shown_on"],
            "findings": list(evidence.findings),
            "void": list(evidence.void),
            "notes": list(verdict.notes),
            "link": figures.get("link"),
            "gives_first": figures.get("gives_first"),
            "lost": lost,
        }
        self._book.sums.ended(record)
        self._book.trial_ns = outcome.trial_ns
        text = f"stretch {self._book.stretch} ended after "
        text += format_ns(outcome.trial_ns, 3) + " on the line"
        self._book.event("stretch ended", text, from_ns=self._book.base_ns, **record)

    def _progress(self, progress: Progress) -> None:
        """The runner tells of a stretch."""
        self._book.trial_ns = progress.trial_ns
        self._around.shows(progress)

    # --- what is to change ------------------------------------------------------------

    def _due(self) -> Change | None:
        """What is to happen now."""
        changes = self._request.changes
        if self._next >= len(changes):
            return None
        change = changes[self._next]
        return change if change.at_ns <= self._book.base_ns else None

    def _obeyed(self) -> None:
        """A change has been made."""
        self._profile = self._request.profiles[self._next]
        self._next += 1

    def _sets(self) -> tuple[str, ...]:
        """Values that were set by now."""
        made = self._request.changes[: self._next]
        return tuple(text for change in made for text in change.sets)

    def _obey(self, change: Change) -> None:
        """Let something happen."""
        self._obeyed()
        if change.kind == "set":
            self._book.event("changed", change.what)
            return
        if change.kind == "silence":
            self._rests.silence(change, live=self._ways.live)
        else:
            self._rests.command(change)

    # --- along the way ----------------------------------------------------------------

    def look(self) -> None:
        """Whether what was written is enough; called after every interval."""
        request, sums = self._request, self._book.sums
        if request.losses is not None and sums.lost >= request.losses:
            self._enough = Ends.LOSSES
        if request.wanted is not None:
            upper = sums.upper(request.wanted.confidence)
            if upper is not None and upper <= request.wanted.rate:
                self._enough = Ends.BOUND

    @property
    def left_ns(self) -> int | None:
        """Of the night, as far as its length is set; on the line it is being sent."""
        left_ns = self._left_ns()
        if left_ns is None or self._ways.live:
            return left_ns
        return left_ns - self._book.trial_ns

    @property
    def counts_before(self) -> dict[str, Any]:
        """Packets of the stretches before."""
        return self._counts_before

    @property
    def book(self) -> Book:
        """Where all is written down."""
        return self._book

    @property
    def request(self) -> Request:
        """What is asked for."""
        return self._request


_ENDLESS_NS = 1 << 60
"""Longer than any night."""


class _Noticing:
    """The book, which knows by now whether the link is lost."""

    def __init__(self, book: Book, link: StretchLink) -> None:
        self._book, self._link = book, link

    def interval(self, record: Mapping[str, Any]) -> None:
        self._book.link_lost = self._link.lost
        self._book.interval(record)

    def anomaly(self, record: Mapping[str, Any]) -> None:
        self._book.anomaly(record)

    def sync(self) -> None:
        self._book.sync()


class _Watching:
    """A watcher of one stretch that looks at the night instead."""

    def __init__(self, progress: Callable[[Progress], None]) -> None:
        self.progress = progress

    def begun(self, folder: Path) -> None: ...


def seed_of(seed: int, stretch: int) -> int:
    """The seed of a stretch; the first one's is that of the night."""
    return seed if stretch == 0 else stream_key(seed, f"stretch {stretch}")[0]


def totals(book: Book) -> dict[str, Any]:
    """All packets so far, valid or not."""
    return {
        word: None if count is None else count + (_spoilt(book, word))
        for word, count in book.sums.packets.items()
    }


def _spoilt(book: Book, word: str) -> int:
    if word in ("corrupt", "stray"):
        return 0
    return book.sums.spoilt.get(word) or 0
