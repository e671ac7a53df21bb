"""Run one trial: schedule to link to judge to ledger, chunk by chunk.

This is the one data path of the bench.  Whatever writes the next plan point (a stream,
a sweep, a search, a night), what happens to it happens here.

While one chunk is judged the link carries the next and the schedule writes the one
after that; the kernels let go of the interpreter.  Chunks are small enough that a
request to stop is seen within a few tens of milliseconds, and the result does not
depend on their size.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, no_octets, no_rows
from bench.base.grid import NS_PER_S
from bench.judge.judge import Judge
from bench.judge.kept.terms import held, hold_ns, longest_ns
from bench.trial.quiet import nothing_shown
from bench.trial.source import source_of

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Mapping
    from concurrent.futures import Future
    from pathlib import Path

    from bench.base.clock import Clock
    from bench.base.columns import Seen
    from bench.judge.verdict import Verdict
    from bench.link.link import Link
    from bench.link.observes import Observes
    from bench.profile.model import Profile
    from bench.trial.plan import Plan
    from bench.trial.source import Source

CHUNK_OCTETS = 1 << 19
"""Characters carried at once: about 5 ms of work on simulated nodes, at worst 50."""

INTERVAL_NS = 10 * NS_PER_S
"""Time of the trial that one record of the interval log covers."""

SYNC_NS = NS_PER_S
"""How often at most the ledger is put on the disk: it takes milliseconds, and simulated
intervals may pass much faster."""

TELL_NS = NS_PER_S // 10
"""How often at most a watcher is told of progress."""

STRAGGLERS_NS = 2 * NS_PER_S
"""Silence at the end in which late packets are still seen (RFC 2544, section 23)."""


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
    """

    clock: Clock
    ledger: Records
    watcher: Watcher
    stop: Callable[[], int | None]


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
    """

    verdict: Verdict
    signal: int | None
    trial_ns: int
    spent_ns: int
    characters: int
    first: dict[str, dict[str, Any]]


def run(plan: Plan, link: Link, tools: Tools, source: Source | None = None) -> Outcome:
    """Run one trial to its end, or until it is told to stop.

    Args:
        plan: What is to be done.
        link: The way to the nodes.
        tools: What it works with.
        source: What is put on the line; what the plan says unless given.

    Raises:
        BenchError: If the plan cannot be carried out, the link is lost, or the ledger
            cannot be written and may not be done without.
    """
    source = source or source_of(plan)
    trial = _Trial(plan, link.observes, tools)
    with closing(_carried(source, link, tools.stop)) as chunks:
        for line, sent, seen in chunks:
            trial.take(line, sent, seen)
            source.give_back(line, sent)
    return trial.end(link, tools.stop())


def nothing_sent(plan: Plan, observes: Observes, tools: Tools) -> Outcome:
    """How a trial ends that was told to stop before anything was sent."""
    return _Trial(plan, observes, tools).outcome(tools.stop())


def _carried(
    source: Source, link: Link, stop: Callable[[], int | None]
) -> Generator[tuple[Line, Sent, Seen], None, None]:
    """Chunks that were carried, the next one under way while one is judged.

    Two threads, one for the schedule and one that alone owns the link.  When told to
    stop, what is under way is still carried and handed out, so that everything that was
    put on the bus is judged.
    """
    with (
        ThreadPoolExecutor(1, "schedule") as writer,
        ThreadPoolExecutor(1, "link") as owner,
    ):
        coming = writer.submit(source.take, CHUNK_OCTETS)
        under_way: tuple[Line, Sent, Future[Seen]] | None = None
        while True:
            chunk = None if stop() is not None else coming.result()
            carried, under_way = under_way, None
            if chunk is not None:
                coming = writer.submit(source.take, CHUNK_OCTETS)
                line, sent = chunk
                under_way = line, sent, owner.submit(link.carry, line)
            if carried is not None:
                yield carried[0], carried[1], carried[2].result()
            if chunk is None:
                return


class _Trial:
    """One trial on its way."""

    def __init__(self, plan: Plan, observes: Observes, tools: Tools) -> None:
        self._plan = plan
        self._tools = tools
        self._judge = Judge(plan.profile, observes)
        self._began_ns = tools.clock.now_ns()
        self._told_ns = self._synced_ns = self._began_ns
        self._interval_from_ns = 0
        self._characters = 0
        self._place = 0
        self._until_ns = 0
        self._first: dict[str, dict[str, Any]] = {}

    def take(self, line: Line, sent: Sent, seen: Seen) -> None:
        """One chunk that was carried."""
        self._judge.take(line, sent, seen)
        self._characters += len(line.octets)
        self._place = line.first + len(line.octets)
        self._until_ns = line.until_ns
        self._record()
        self._tell()

    def end(self, link: Link, signal: int | None) -> Outcome:
        """Wait for stragglers, and sum up."""
        ended_ns = self._until_ns
        silence_ns = ended_ns + stragglers_ns(self._plan.profile)
        line = Line(no_octets(), no_rows(RUN), no_rows(FLAW), self._place, silence_ns)
        seen = link.carry(line)
        self._judge.take(line, Sent(no_rows(SENT), no_octets()), seen)
        self._judge.finish(silence_ns)
        self._anomalies()
        if ended_ns > self._interval_from_ns:
            self._interval(ended_ns)
        self._tools.ledger.sync()
        return self.outcome(signal)

    def outcome(self, signal: int | None) -> Outcome:
        """What the trial says so far."""
        verdict = self._judge.result()
        if self._plan.line is not None:
            verdict = nothing_shown(verdict, self._plan.line)
        return Outcome(
            verdict,
            signal,
            self._until_ns,
            self._spent_ns(),
            self._characters,
            self._first,
        )

    def _record(self) -> None:
        """What the ledger is told between two chunks."""
        self._anomalies()
        if self._until_ns - self._interval_from_ns >= INTERVAL_NS:
            self._interval(self._until_ns)
            now_ns = self._tools.clock.now_ns()
            if now_ns - self._synced_ns >= SYNC_NS:
                self._tools.ledger.sync()
                self._synced_ns = now_ns

    def _anomalies(self) -> None:
        for anomaly in self._judge.anomalies():
            self._first.setdefault(anomaly["kind"], anomaly)
            self._tools.ledger.anomaly(anomaly)

    def _interval(self, until_ns: int) -> None:
        """One record of the interval log."""
        record = {
            "from_ns": self._interval_from_ns,
            "to_ns": until_ns,
            "spent_ns": self._spent_ns(),
            **self._judge.interval(),
        }
        self._tools.ledger.interval(record)
        self._interval_from_ns = until_ns

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


def stragglers_ns(profile: Profile) -> int:
    """How long after the last packet something may still be shown.

    At least what RFC 2544 waits; longer where a node may hold several packets whose
    bursts take longer, or one for a sync, or where a later one is still in time.
    """
    latest_ns = STRAGGLERS_NS
    for node in profile.node:
        work, octets = node.processor.rearrange, node.output.payload_octets
        each_ns = longest_ns(node) + work.fixed_ns + work.per_octet_ns * octets
        each_ns += work.start_output_ns
        waits_ns = hold_ns(profile, node) + (held(node) + 1) * each_ns
        latest_ns = max(latest_ns, waits_ns)
    return max(latest_ns, 2 * (profile.accept.latency_ns or 0))
