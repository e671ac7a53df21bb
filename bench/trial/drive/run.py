"""A drive from its first character to its last.

As long as one link is held, a drive is one trial of the one runner: the source obeys
orders between two packets, and neither the link nor the judge stops for them.  A change
of what a link is held by (the baud, the pacing) ends that trial with all its care and
begins the next one on the link taken up anew: characters and time on the line are
counted on, and for how long the line rested is told.

Orders may come from any thread.  Everything else happens in the one that performs.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import TYPE_CHECKING, Any, Literal

from bench.base.errors import BenchError, Fault, LinkError
from bench.base.units import DURATION
from bench.traffic.place import Place
from bench.trial.drive.asked.commands import Note, Quit, written
from bench.trial.drive.link import Around, DriveLink
from bench.trial.drive.since import Since, Stretch
from bench.trial.drive.source import DriveSource
from bench.trial.drive.told import Driven, Held, Standing, Told
from bench.trial.plan import Plan
from bench.trial.runner import Tools, needed_ns, run, stragglers_ns

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from bench.link.link import Link
    from bench.profile.model import Profile
    from bench.trial.drive.asked.script import Asked
    from bench.trial.drive.desk import Desk, Order
    from bench.trial.drive.link import Handed, LineName
    from bench.trial.drive.source import Mark
    from bench.trial.drive.told import Looker
    from bench.trial.runner import Outcome, Progress, Records

_ENDLESS_NS = 1 << 60
"""Longer than anybody drives."""

_SYNC_HZ = 1
"""Frame rate for which the judge waits where nodes show on a sync: slower ones would
have it give up packets that still wait for theirs."""


@dataclass(frozen=True)
class Rig:
    """What a drive works with.

    Attributes:
        desk: Who takes commands.
        open_link: A link for these values, each time it is called.
        tools: As for any trial; the watcher is not used.
        looker: Who looks on.
        seed: What every draw depends on.
        lead_ns: How far ahead characters are handed over.
        line: The modem line that a trigger switches; None: none.
        until_ns: It ends by itself after so much time on the line; None: it does not.
    """

    desk: Desk
    open_link: Callable[[Profile], Link]
    tools: Tools
    looker: Looker
    seed: int = 0
    lead_ns: int = 0
    line: LineName | None = None
    until_ns: int | None = None


@dataclass(slots=True)
class _Now:
    """What holds while one link is held."""

    source: DriveSource
    link: DriveLink
    since: Since
    base_ns: int
    marks: deque[Mark] = field(default_factory=deque)


class Drive:
    """One drive."""

    def __init__(
        self, rig: Rig, profile: Profile, orders: Sequence[Order] = ()
    ) -> None:
        """Ready to begin.

        Args:
            rig: What it works with.
            profile: The values that hold at first.
            orders: What the desk made of commands that were asked for beforehand.
        """
        self._rig = rig
        self._lock = Lock()
        self._orders: deque[Order] = deque(orders)
        self._now: _Now | None = None
        self._profile = profile
        self._marks: list[Told] = []
        self._stretches: list[Stretch] = []
        self._at_ns = self._octets = 0

    # --- asked, from any thread -------------------------------------------------------

    def ask(self, asked: Asked) -> Order:
        """Ask for something.

        Raises:
            BenchError: If it cannot be obeyed; everything stays as it is.
        """
        with self._lock:
            waiting = self._waiting()
            if waiting and not isinstance(asked.command, Quit):
                self._refuse_between(asked, waiting[-1])
            if isinstance(asked.command, Quit) and asked.at_ns is None:
                waiting.clear()
                self._rig.desk.over = False  # a script's own end is not waited for
            order = self._rig.desk.ask(asked, self._rig.tools.clock.now_ns())
            waiting.append(order)
            return order

    def _waiting(self) -> deque[Order]:
        """Orders that are still to be obeyed."""
        return self._now.source.orders if self._now is not None else self._orders

    @staticmethod
    def _refuse_between(asked: Asked, last: Order) -> None:
        """Raise where something is asked between orders that have their instants."""
        if last.at_ns is None or (asked.at_ns or -1) >= last.at_ns:
            return
        if isinstance(asked.command, Note):
            mend = "it can be asked for afterwards"
        else:
            mend = "or quit"
        until = f"what is asked after {DURATION.text(last.at_ns)} on the line"
        raise BenchError(Fault("orders wait", written(asked.command), until, "", mend))

    # --- performed --------------------------------------------------------------------

    def perform(self) -> Driven:
        """Drive until something ends it.

        Raises:
            BenchError: As `bench.trial.runner.run` does.
        """
        links: list[Held] = []
        place, base_ns, holding, last_ns = Place(), 0, False, None
        while True:
            with self._rig.open_link(self._profile) as live:
                now = self._take_up(live, place, base_ns, holding=holding)
                outcome = self._run(now, len(links))
            rested_ns = None
            if now.link.first_ns is not None and last_ns is not None:
                rested_ns = now.link.first_ns - last_ns
            links.append(Held(now.source.first_profile, outcome, rested_ns))
            last_ns = now.link.last_ns or last_ns
            self._close(now, outcome)
            ended, order = _end_of(now.source.over, outcome)
            if order is None:
                break
            self._profile = order.profile
            base_ns, holding = self._at_ns, now.source.holding
            place = replace(now.source.place, ns=0, rem=0, last_ns=None)
            self._rig.looker.relinks(self._marks[-1])
        return Driven(
            tuple(links),
            tuple(self._marks),
            tuple(self._stretches),
            ended,
            self._at_ns,
            self._octets,
        )

    def _take_up(
        self, live: Link, place: Place, base_ns: int, *, holding: bool
    ) -> _Now:
        """Everything for one link."""
        rig, profile = self._rig, self._profile
        number = self._marks[-1].mark.number if self._marks else 0
        plan = Plan(judged(profile), rig.seed, duration_ns=_ENDLESS_NS)
        source = DriveSource(
            profile,
            rig.seed,
            place,
            rig.tools.stop,
            holding=holding,
            marks=number,
            base_ns=base_ns,
            until_ns=rig.until_ns,
            marked=self._marked,
            tended=self._tend,
        )
        around = Around(rig.tools.clock, rig.tools.stop, source.relinks, rig.line)
        link = DriveLink(live, plan, around)
        if rig.line is not None and not link.switches:
            what = f"this link has no {rig.line.upper()} that could be switched"
            mend = "trigger on the quiet gap alone, without --trigger-line"
            raise LinkError(Fault(what, live.name, mend=mend))
        now = _Now(source, link, Since(plan.profile, live.observes, number), base_ns)
        with self._lock:
            source.orders.extend(self._orders)
            self._orders.clear()
            self._now = now
        return now

    def _run(self, now: _Now, number: int) -> Outcome:
        """The trial on one link."""
        tools = self._rig.tools
        records = _Tagged(tools.ledger, {"on_link": number})
        mine = Tools(tools.clock, records, _Watching(self._stands), lambda: None)
        plan = now.link.plan
        try:
            return run(plan, now.link, mine, now.source)
        except BaseException as error:
            if now.link.place:
                left = now.link.leave_safe()
                for note in left.notes:
                    error.add_note(note)
            raise

    def _close(self, now: _Now, outcome: Outcome) -> None:
        """A link's trial is over: what is still open is decided."""
        self._tend()
        profile = now.link.plan.profile
        until_ns = outcome.trial_ns + stragglers_ns(profile)
        if outcome.lost is not None:
            until_ns = outcome.trial_ns - needed_ns(profile)
        while now.marks:
            self._tell(now, now.marks.popleft())
        now.since.finish(until_ns)
        stretches = now.since.stretches()
        if self._stretches and self._stretches[-1].mark == stretches[0].mark:
            self._stretches[-1] = self._stretches[-1] + stretches[0]
            stretches = stretches[1:]
        self._stretches += stretches
        end = now.source.place
        self._at_ns = now.base_ns + end.ns + (end.rem > 0)
        self._octets = now.link.place
        with self._lock:
            self._orders.extend(now.source.orders)
            self._now = None

    # --- along the way ----------------------------------------------------------------

    def _marked(self, mark: Mark) -> None:
        """The source made a mark, in its own thread."""
        now = self._now
        assert now is not None
        watched = mark.octet if mark.trigger is None else mark.trigger
        now.link.watch(watched, trigger=mark.trigger is not None)
        now.marks.append(mark)

    def _tend(self) -> None:
        """Count what went over the link, and tell the marks that it passed."""
        now = self._now
        if now is None:
            return
        while now.link.carried:
            line, sent, seen = now.link.carried.popleft()
            while now.marks and now.marks[0].octet <= line.first:
                self._tell(now, now.marks.popleft())
            now.since.take(line, sent, seen)
            self._at_ns = now.base_ns + line.until_ns
            self._octets = line.first + len(line.octets)

    def _tell(self, now: _Now, mark: Mark) -> None:
        """A mark was passed."""
        told = self._timed(mark, now.link.handed)
        self._marks.append(told)
        if not isinstance(mark.order.command, Note):
            now.since.mark(mark.number)
        self._profile = mark.order.profile
        self._rig.tools.ledger.interval(told.as_dict())
        self._rig.looker.marked(told)

    def _timed(self, mark: Mark, handed: deque[Handed]) -> Told:
        """A mark with its times."""
        watched = mark.octet if mark.trigger is None else mark.trigger
        found = next((one for one in handed if one.octet == watched), None)
        if found is None:
            return Told(mark)
        after_ns = None
        if mark.order.asked_ns is not None and mark.order.at_ns is None:
            ahead_ns = max(0, self._rig.lead_ns - found.rest_ns)
            after_ns = found.at_ns + ahead_ns - mark.order.asked_ns
        return Told(mark, after_ns, found.switched_ns)

    def _stands(self) -> None:
        """Tell how it stands."""
        now = self._now
        if now is None:
            return
        since = now.since.last()
        whole = since
        for stretch in (*self._stretches, *now.since.stretches()[:-1]):
            whole = whole + stretch
        self._rig.looker.stands(
            Standing(
                self._at_ns,
                self._octets,
                self._profile,
                now.source.holding,
                self._marks[-1] if self._marks else None,
                since,
                whole,
                now.link.counts,
                now.source.waiting,
            )
        )


def _end_of(
    over: Order | Literal["stopped", "time"] | None, outcome: Outcome
) -> tuple[str, Order | None]:
    """What ended a link's trial, and the order with which the drive goes on."""
    if outcome.lost is not None:
        return "lost", None
    if over is None or isinstance(over, str):
        return over or "stopped", None
    return ("asked", over) if over.relink else ("asked", None)


def judged(profile: Profile) -> Profile:
    """The profile that the judge goes by, whatever is turned.

    It looks as far back as the slowest frames need, where nodes wait for a sync.  Of
    frames that are held apart by hand no skew is asked.
    """
    accept = profile.accept.model_copy(update={"skew_ns": None})
    update: dict[str, Any] = {"accept": accept}
    if any(node.processor.show == "sync" for node in profile.node):
        rate = min(_SYNC_HZ, profile.traffic.frame_rate_hz)
        traffic = profile.traffic.model_copy(update={"frame_rate_hz": rate})
        update["traffic"] = traffic
    return profile.model_copy(update=update)


def scripted(desk: Desk, asked: Asked) -> Order:
    """The order of a scripted command.

    Raises:
        BenchError: If it cannot be obeyed.
    """
    try:
        return desk.ask(asked)
    except BenchError as error:
        at = DURATION.text(asked.at_ns or 0)
        fault = replace(error.fault, where=f"at {at}: {written(asked.command)}")
        raise BenchError(fault) from error


class _Watching:
    """A watcher that looks at the drive instead."""

    def __init__(self, stands: Callable[[], None]) -> None:
        self._stands = stands

    def begun(self, folder: Path) -> None: ...

    def progress(self, progress: Progress) -> None:  # noqa: ARG002
        self._stands()


class _Tagged:
    """A ledger whose records say on which link they were made."""

    def __init__(self, records: Records, tag: dict[str, Any]) -> None:
        self._records = records
        self._tag = tag

    def interval(self, record: Mapping[str, Any]) -> None:
        self._records.interval(self._tag | dict(record))

    def anomaly(self, record: Mapping[str, Any]) -> None:
        self._records.anomaly(self._tag | dict(record))

    def sync(self) -> None:
        self._records.sync()
