"""Run one trial: schedule to link to judge to ledger, chunk by chunk.

This is the one data path of the bench.  Whatever writes the next plan point (a stream,
a sweep, a search, a night), what happens to it happens here.

Chunks are carried beside the judging, or where the other cores have other work in turn
with it (`bench.trial.carried`).  They are small enough that a request to stop is seen
within a few tens of milliseconds, and the result does not depend on their size.

A link that is lost ends a trial; what it carried is judged.  Real lights are left at
the safe level, whatever ended the trial, or it is said why not.
"""

from __future__ import annotations

from collections import deque
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, no_octets, no_rows
from bench.base.errors import LinkError
from bench.base.grid import NS_PER_S
from bench.judge.judge import Judge
from bench.judge.kept.terms import held, hold_ns, longest_ns
from bench.link.evidence import NO_EVIDENCE
from bench.link.link import Counting
from bench.trial.carried import carried, in_turn
from bench.trial.quiet import nothing_shown
from bench.trial.safe import leave_safe
from bench.trial.slices import Slices, rests
from bench.trial.source import source_of

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Mapping
    from pathlib import Path

    from bench.base.clock import Clock
    from bench.base.columns import Seen
    from bench.base.grid import Grid
    from bench.judge.verdict import Verdict
    from bench.link.evidence import Evidence
    from bench.link.link import Link
    from bench.link.observes import Observes
    from bench.profile.model import Profile
    from bench.trial.plan import Plan
    from bench.trial.source import Source

INTERVAL_NS = 10 * NS_PER_S
"""Time of the trial that one record of the interval log covers."""

SYNC_NS = NS_PER_S
"""How often at most the ledger is put on the disk: it takes milliseconds, and simulated
intervals may pass much faster."""

TELL_NS = NS_PER_S // 10
"""How often at most a watcher is told of progress."""

STRAGGLERS_NS = 2 * NS_PER_S
"""Silence at the end in which late packets are still seen (RFC 2544, section 23)."""

DEAD_NS = 15 * NS_PER_S
"""A link that brings nothing for so long, and is not found to be lost, is in order:
one that takes nothing is told lost after a third of that."""

STOPPED_NS = NS_PER_S // 4
"""As much of it is left where a signal ended a trial in real time; what may still have
come after it counts as not offered."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a trial is.

    Attributes:
        trial_ns: Time on the line.
        share: Of the trial, 0 to 1.
        spent_ns: Time on the bench's clock.
        characters: Sent so far.
        counts: Counts of the judge so far.
    """

    trial_ns: int
    share: float
    spent_ns: int
    characters: int
    counts: dict[str, Any]


class Watcher(Protocol):
    """Somebody who looks on."""

    def begun(self, folder: Path) -> None:
        """Whoever plans the trial begins it; its ledger is kept in this folder."""
        ...

    def progress(self, progress: Progress) -> None:
        """The trial went on."""
        ...


class Records(Protocol):
    """What a trial needs of a ledger; see `bench.ledger.Ledger`."""

    def interval(self, record: Mapping[str, Any]) -> None:
        """One stretch of the trial."""
        ...

    def anomaly(self, record: Mapping[str, Any]) -> None:
        """What was out of the ordinary."""
        ...

    def sync(self) -> None:
        """Return once every record is on the disk."""
        ...


@dataclass(frozen=True, slots=True)
class Tools:
    """What a trial works with.

    Attributes:
        clock: The bench's clock; nothing is judged by it on a simulated link.
        ledger: Where records go.
        watcher: Who is told of progress.
        stop: Asked between chunks: the number of a signal that came, or None.
        alone: Whether the trial is to do with one thread, on a link that is not live.
        interval_ns: Time of the trial that one record of the interval log covers.
        beside: Asked as each interval ends, at an instant of the trial: what else goes
            into its record.  Intervals are told in full then, so that a trial can be
            summed up from them.
    """

    clock: Clock
    ledger: Records
    watcher: Watcher
    stop: Callable[[], int | None]
    alone: bool = False
    interval_ns: int = INTERVAL_NS
    beside: Callable[[int], Mapping[str, Any]] | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a trial ended.

    Attributes:
        verdict: What it says.
        signal: The signal that ended it early, or None.
        trial_ns: Time on the line.
        spent_ns: Time on the bench's clock.
        characters: Characters sent.
        first: Of each kind of anomaly the first one, as the ledger has it.
        lost: Why the link was lost before the end, or None.
    """

    verdict: Verdict
    signal: int | None
    trial_ns: int
    spent_ns: int
    characters: int
    first: dict[str, dict[str, Any]]
    lost: str | None = None


def run(plan: Plan, link: Link, tools: Tools, source: Source | None = None) -> Outcome:
    """Run one trial to its end, or until it is told to stop.

    Args:
        plan: What is to be done.
        link: The way to the nodes.
        tools: What it works with.
        source: What is put on the line; what the plan says unless given.

    Raises:
        BenchError: If the plan cannot be carried out, the link is lost before it took
            anything, or the ledger cannot be written and may not be done without.
    """
    source = source or source_of(plan)
    pitch, live = plan.profile.bus.pitch, link.most_octets is not None
    if live:
        source = Slices(source, pitch)
    counting = link if isinstance(link, Counting) else None
    trial = _Trial(plan, link.observes, tools, counting, live=live)
    lost: LinkError | None = None
    try:
        with closing(_chunks(source, link, tools, pitch)) as chunks:
            for line, sent, seen in chunks:
                trial.take(line, sent, seen)
                source.give_back(line, sent)
    except LinkError as error:
        if not trial.place:
            raise
        lost = error
    except BaseException as error:
        if live and trial.place:
            left = leave_safe(link, plan, trial.place, trial.until_ns)
            for note in left.notes:
                error.add_note(note)
        raise
    return trial.end(link, lost)


def _chunks(
    source: Source, link: Link, tools: Tools, pitch: Grid
) -> Generator[tuple[Line, Sent, Seen], None, None]:
    """What was carried, with threads of its own or without."""
    if tools.alone and link.most_octets is None:
        return in_turn(source, link, tools.stop)
    return carried(source, link, tools.stop, pitch)


def nothing_sent(plan: Plan, observes: Observes, tools: Tools) -> Outcome:
    """How a trial ends that was told to stop before anything was sent."""
    return _Trial(plan, observes, tools).outcome(tools.stop())


class _Trial:
    """One trial on its way."""

    def __init__(
        self,
        plan: Plan,
        observes: Observes,
        tools: Tools,
        counting: Counting | None = None,
        *,
        live: bool = False,
    ) -> None:
        """Nothing sent.

        Args:
            plan: What is to be done.
            observes: What the link sees.
            tools: What it works with.
            counting: The link, if it has counts for the interval log.
            live: Whether it passes in real time.
        """
        self._live = live and observes.shown
        self._plan = plan
        self._counting = counting
        self._counted: Mapping[str, int | None] = {}
        self._tools = tools
        details = tools.beside is not None
        self._judge = Judge(plan.profile, observes, details=details)
        self._began_ns = tools.clock.now_ns()
        self._told_ns = self._synced_ns = self._began_ns
        self._interval_from_ns = 0
        self._ended: deque[dict[str, Any]] = deque()  # intervals not yet told
        self._characters = 0
        self._place = 0
        self._until_ns = 0
        self._first: dict[str, dict[str, Any]] = {}

    @property
    def place(self) -> int:
        """Global index of the next character."""
        return self._place

    @property
    def until_ns(self) -> int:
        """No character that was not carried starts before it."""
        return self._until_ns

    def take(self, line: Line, sent: Sent, seen: Seen) -> None:
        """One chunk that was carried."""
        # Only with what follows it: the last interval holds all that comes after it.
        if self._until_ns - self._interval_from_ns >= self._tools.interval_ns:
            self._interval(self._until_ns)
            self._judge.cut()
        self._judge.take(line, sent, seen)
        self._characters += len(line.octets)
        self._place = line.first + len(line.octets)
        self._until_ns = line.until_ns
        self._record()
        self._tell()

    def end(self, link: Link, lost: LinkError | None = None) -> Outcome:
        """Wait for stragglers, and sum up.

        Args:
            link: The link.
            lost: Why it was lost before.
        """
        ended_ns, live = self._until_ns, link.most_octets is not None
        until_ns = ended_ns - needed_ns(self._plan.profile)
        if lost is None:
            try:
                until_ns = self._stragglers(link, live=live)
            except LinkError as error:
                lost = error
        evidence = link.evidence()
        if live:
            after_ns = max(until_ns, ended_ns)
            evidence += leave_safe(link, self._plan, self._place, after_ns, lost)
        if lost is not None:
            # A link that is lost may have brought nothing for some time before.
            until_ns = min(until_ns, max(self._judge.seen_ns, ended_ns - DEAD_NS))
        self._judge.finish(until_ns)
        self._live = False
        self._anomalies()
        self._interval(ended_ns)
        self._tell_intervals()
        self._tools.ledger.sync()
        return self.outcome(self._tools.stop(), evidence, lost)

    def _stragglers(self, link: Link, *, live: bool) -> int:
        """See what still comes; the instant up to which packets can be judged."""
        ended_ns, profile = self._until_ns, self._plan.profile
        until_ns = ended_ns + stragglers_ns(profile)
        if live and not link.observes.shown:
            until_ns = ended_ns + STOPPED_NS  # nobody is seen, whenever it were
        if not live:
            line = Line(no_octets(), no_rows(RUN), no_rows(FLAW), self._place, until_ns)
            seen = link.carry(line)
            self._judge.take(line, Sent(no_rows(SENT), no_octets()), seen)
            return until_ns
        for line, sent in rests(self._place, ended_ns, until_ns):
            self._judge.take(line, sent, link.carry(line, sent))
            waited_ns = line.until_ns - ended_ns
            if waited_ns >= STOPPED_NS and self._tools.stop() is not None:
                return ended_ns + waited_ns - needed_ns(profile)
        return until_ns

    def outcome(
        self,
        signal: int | None,
        evidence: Evidence = NO_EVIDENCE,
        lost: LinkError | None = None,
    ) -> Outcome:
        """What the trial says so far.

        Args:
            signal: That ended it, or None.
            evidence: Of the link.
            lost: Why it was lost.
        """
        verdict = self._judge.result(evidence=evidence)
        if self._plan.line is not None:
            verdict = nothing_shown(verdict, self._plan.line, evidence.void)
        return Outcome(
            verdict,
            signal,
            self._until_ns,
            self._spent_ns(),
            self._characters,
            self._first,
            None if lost is None else str(lost.fault),
        )

    def _record(self) -> None:
        """What the ledger is told between two chunks."""
        self._anomalies()
        if self._tell_intervals():
            now_ns = self._tools.clock.now_ns()
            if now_ns - self._synced_ns >= SYNC_NS:
                self._tools.ledger.sync()
                self._synced_ns = now_ns

    def _anomalies(self) -> None:
        for anomaly in self._judge.anomalies():
            self._first.setdefault(anomaly["kind"], anomaly)
            self._tools.ledger.anomaly(anomaly)

    def _interval(self, until_ns: int) -> None:
        """An interval ends; its record waits for what becomes of its packets."""
        record: dict[str, Any] = {
            "from_ns": self._interval_from_ns,
            "to_ns": until_ns,
            "spent_ns": self._spent_ns(),
        }
        if self._counting is not None:
            counts = self._counting.counts
            record["link"] = since(counts, self._counted)
            self._counted = counts
        if self._tools.beside is not None:
            record |= self._tools.beside(until_ns)
        self._ended.append(record)
        self._interval_from_ns = until_ns

    def _tell_intervals(self) -> bool:
        """Write down the intervals of which all is decided; whether there were any."""
        settled = self._judge.settled(self._tellable())
        for counts in settled:
            record = {**self._ended.popleft(), **counts}
            if record["to_ns"] > record["from_ns"]:
                self._tools.ledger.interval(record)
        return bool(settled)

    def _tell(self) -> None:
        """Progress, now and then."""
        now_ns = self._tools.clock.now_ns()
        if now_ns - self._told_ns < TELL_NS:
            return
        self._told_ns = now_ns
        counts = self._judge.counts()
        self._tools.watcher.progress(
            Progress(
                self._until_ns,
                self._share(counts),
                now_ns - self._began_ns,
                self._characters,
                counts,
            )
        )

    def _share(self, counts: dict[str, Any]) -> float:
        """How much of the trial is done."""
        plan = self._plan
        shares = [0.0]
        if plan.duration_ns is not None:
            shares.append(self._until_ns / max(1, plan.duration_ns))
        if plan.packets is not None:
            # One shared packet is offered to every node.
            each = len(plan.profile.node) if plan.profile.packet.shared else 1
            offered = counts["packets"]["offered"] / each
            shares.append(offered / max(1, plan.packets))
        return min(1.0, max(shares))

    def _spent_ns(self) -> int:
        return self._tools.clock.now_ns() - self._began_ns

    def _tellable(self) -> int:
        """How many intervals may be told, if all of their packets are decided.

        As long as a link in real time brings nothing at all, it may be the link: what
        it turns out to be goes into the intervals since.
        """
        if not self._live:
            return len(self._ended)
        seen_ns = max(self._judge.seen_ns, self._until_ns - DEAD_NS)
        return sum(record["to_ns"] <= seen_ns for record in self._ended)


def since(
    now: Mapping[str, int | None], told: Mapping[str, int | None]
) -> dict[str, int | None]:
    """Counts less those told before; what is not observable stays None."""
    return {
        key: None if value is None else value - (told.get(key) or 0)
        for key, value in now.items()
    }


def stragglers_ns(profile: Profile) -> int:
    """How long after the last packet something may still be shown.

    At least what RFC 2544 waits.
    """
    return max(STRAGGLERS_NS, needed_ns(profile))


def needed_ns(profile: Profile) -> int:
    """How long after a packet a node that works may still show it.

    Longer where it may hold several packets whose bursts take longer, or one for a
    sync, or where a later one is still in time.
    """
    latest_ns = 0
    for node in profile.node:
        work, octets = node.processor.rearrange, node.output.payload_octets
        each_ns = longest_ns(node) + work.fixed_ns + work.per_octet_ns * octets
        each_ns += work.start_output_ns
        waits_ns = hold_ns(profile, node) + (held(node) + 1) * each_ns
        latest_ns = max(latest_ns, waits_ns)
    return max(latest_ns, 2 * (profile.accept.latency_ns or 0))
