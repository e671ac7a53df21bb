"""Campaigns from Python; see the package."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.api import StreamResult, refuse_number
from bench.api_fuzz import workers
from bench.api_fuzz.asked import (
    Way,
    block_of,
    command_of,
    ends_of,
    index_of,
    refuse_attacks,
    way_of,
)
from bench.api_fuzz.kept import NO_LIMITS, UNLIMITED
from bench.api_fuzz.old import replay_first
from bench.api_fuzz.play import Ends, Play, hands_of
from bench.api_search.kept import MOST_SEED, Around, Run, template_of
from bench.api_search.workers import cores
from bench.base.errors import ExitCode, Fault, LedgerError, UsageError
from bench.base.grid import NS_PER_S
from bench.fuzz.attacks import Attacks
from bench.fuzz.attacks.kinds import KINDS
from bench.fuzz.campaign.boards import Boards
from bench.fuzz.campaign.digest import case_digest
from bench.fuzz.campaign.finding import Named
from bench.fuzz.campaign.job import FuzzJob, job_of
from bench.fuzz.campaign.looks import Looks, keep, on_fresh
from bench.fuzz.campaign.tally import Tally
from bench.fuzz.campaign.verdict import fuzz_verdict
from bench.fuzz.corpus import Corpus
from bench.ledger import read_run
from bench.link.evidence import NO_EVIDENCE
from bench.report.fuzz.page import fuzz_page
from bench.trial.lights import refuse_lights
from bench.trial.links import reaches_lights
from bench.trial.plan import Plan
from bench.trial.runner import Progress
from bench.trial.sweep.point import on_all_cores

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.fuzz.campaign.tally import Example
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.sweep.point import MakeLink


class FuzzResult(StreamResult):
    """How a campaign ended; as for a stream, and `figures["fuzz"]` has it all."""


def fuzz(
    profile: str | Path | Profile,
    *,
    overrides: Sequence[str] = (),
    attacks: Sequence[str] = (),
    node: str | None = None,
    duration: str | int | None = None,
    cases: int | None = None,
    seed: int = 0,
    corpus: str | Path = "corpus",
    jobs: int | None = None,
    cluster: str | None = None,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    revive: str | None = None,
    **around: Any,
) -> FuzzResult:
    """Attack a node with traffic made from its own packets.

    Args:
        profile: The name of a shipped profile, a path, or a profile.
        overrides: Values set, "output.clock=2 MHz".
        attacks: Names of the attacks; all that the packets allow unless stated.
        node: Name of the node that is attacked; the first unless stated.
        duration: How long, by the clock: "10s", or nanoseconds; two minutes where
            neither is stated.
        cases: How many cases.
        seed: What every draw depends on.
        corpus: The folder of cases that broke something; they are replayed first.
        jobs: Processes that play cases; as many as there are cores unless given.
        cluster: The address of a Dask cluster that does instead.
        make_link: A link to nodes of a profile, with a seed; to simulated ones unless
            given.  Cases are then tried one after another in this process.
        allowed: On boards: which limits of the light guard may be passed.
        revive: A command that is run when a board is dead.
        **around: The attributes of `bench.api_search.kept.Around`.

    Raises:
        UsageError: If the arguments cannot be obeyed.
        ProfileError: If the profile has faults, or nothing that could be judged.
        LinkError: If no link can be had, or no cluster answers.
        LedgerError: If the ledger cannot be begun, or stopped the campaign.
    """
    refuse_number("seed", seed, MOST_SEED)
    template = template_of(profile, overrides)
    made = template.profile()
    index = index_of(made, node)
    attack = Attacks(made, node=index)
    refuse_attacks(attack, attacks)
    block = block_of(attack, live=make_link is not None)
    job = FuzzJob(template, index, tuple(attacks), seed, block)
    source = str(profile) if isinstance(profile, str | Path) else made.name
    named = Named(source, tuple(overrides), case_digest(made))
    way = way_of(job, (make_link, allowed, revive), (jobs, cluster))
    ends = ends_of(duration, cases)
    known = {
        "link": way.link,
        "fuzz": job.as_dict(),
        "named": [named.profile, list(named.sets)],
        "cases": ends.cases,
        "spent_most_ns": ends.ns,
        "command": command_of(named, job, ends),
    }
    campaign = _Campaign(job, named, ends, Corpus(Path(corpus)), Around(**around))
    return campaign.begun(way, known)


def resume_fuzz(
    run: str | Path,
    *,
    duration: str | int | None = None,
    cases: int | None = None,
    corpus: str | Path = "corpus",
    jobs: int | None = None,
    cluster: str | None = None,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    revive: str | None = None,
    **around: Any,
) -> FuzzResult:
    """Go on with a campaign that did not come to its end.

    Args:
        run: The folder of its ledger.
        duration: How long it goes on; what is left of what was asked for unless given.
        cases: How many cases in all; likewise.
        corpus: As for `fuzz`.
        jobs: Likewise.
        cluster: Likewise.
        make_link: Likewise.
        allowed: Likewise.
        revive: Likewise.
        **around: Likewise.

    Raises:
        LedgerError: If it is not the folder of a campaign, or that has ended.
        BenchError: As `fuzz`.
    """
    folder = Path(run)
    stored = read_run(folder)
    facts = stored.run
    if "fuzz" not in facts:
        fault = Fault("not a campaign", expected="the folder of one", where=str(folder))
        raise LedgerError(fault)
    job = job_of(facts["fuzz"])
    source, sets = facts["named"]
    named = Named(source, tuple(sets), case_digest(job.profile))
    way = way_of(job, (make_link, allowed, revive), (jobs, cluster))
    if way.link != facts.get("link"):
        where = "--link"
        fault = Fault("begun on another link", way.link, str(facts.get("link")), where)
        raise UsageError(fault)
    ends = ends_of(duration, cases)
    if duration is None and cases is None:
        spent_ns = sum(one.get("spent_ns", 0) for one in stored.intervals.records)
        most_ns = facts["spent_most_ns"]
        left_ns = None if most_ns is None else max(1, most_ns - spent_ns)
        ends = Ends(facts["cases"], left_ns)
    campaign = _Campaign(job, named, ends, Corpus(Path(corpus)), Around(**around))
    return campaign.resumed(way, folder, facts)


# --- carried out ----------------------------------------------------------------------


class _Campaign(Run):
    """A campaign."""

    what = "fuzz"

    def __init__(
        self, job: FuzzJob, named: Named, ends: Ends, corpus: Corpus, around: Around
    ) -> None:
        super().__init__(job.template, job.seed, around, {})
        self._job = job
        self._named = named
        self._ends = ends
        self._corpus = corpus
        self._attacks = Attacks(job.profile, node=job.node)
        self._tally = Tally()
        self._old: dict[str, Any] = {"folder": str(corpus.folder), "faults": []}
        self._old |= {"replayed": 0, "failed": 0, "mended": 0}
        self._void: list[str] = []
        self._left = NO_EVIDENCE

    def begun(self, way: Way, known: Mapping[str, Any]) -> FuzzResult:
        """Attack."""
        self.facts = {**UNLIMITED, **known}
        profile = self._job.profile
        if way.make_link is not None and reaches_lights(way.link):
            plan = Plan(profile, self.seed, None, NS_PER_S)
            refuse_lights(plan, way.allowed)
        with self.create(NO_LIMITS):
            return self._carried(way, [], [])

    def resumed(self, way: Way, folder: Path, facts: Mapping[str, Any]) -> FuzzResult:
        """Go on."""
        self.facts = dict(facts)
        stored = read_run(folder)
        found = [one["finding"] for one in stored.anomalies.records if "finding" in one]
        with self.reopen(folder):
            return self._carried(way, stored.intervals.records, found)

    def _carried(
        self,
        way: Way,
        done: Sequence[Mapping[str, Any]],
        found: Sequence[dict[str, Any]],
    ) -> FuzzResult:
        """Replay what is known, then attack, and write down how it ended."""
        around = self.around
        boards = None
        if way.make_link is not None:
            boards = Boards(self._attacks, way.make_link, around.clock, way.revive)
        trying = boards.tried if boards else on_fresh(self._attacks, self._simulated)
        self._looks = Looks(
            self._attacks,
            trying,
            around.clock,
            certain=boards is None,
            only=self._job.only,
            stop=around.stop,
        )
        self._looks.findings += found
        play = Play(self._job, self._attacks, self._ends, around, done)

        def work() -> None:
            try:
                if boards is None:
                    workers.warmed(self._job)
                if not done:
                    self._replay_old(boards)
                play.begin()
                with hands_of(play, boards, (way.jobs or cores(), way.cluster)) as at:
                    for record in at:
                        self._take(record, play)
            finally:
                if boards is not None:
                    self._left = boards.leave(Plan(self._job.profile, self.seed, 1))

        for record in done:
            self._tally.add(record) if "attacks" in record else None
        self.kept(work)
        self._void += play.void
        if play.lost and play.ended is not None:
            self._void.append(play.ended)
        if boards is not None:
            self._void += boards.spoiled_by(self._tally.cases)
        return self._written(play, boards)

    def _simulated(self) -> Link:
        """Simulated nodes that are new."""
        return on_all_cores(self._job.profile, self.seed)

    def _replay_old(self, boards: Boards | None) -> None:
        """Replay the corpus first."""
        self._old = replay_first(
            self._corpus, self._named, self._looks, certain=boards is None
        )
        self.ledger.interval({"event": "corpus replayed", **self._old})
        for finding in self._looks.findings:
            self.ledger.anomaly({"finding": finding})

    def _take(self, record: Mapping[str, Any], play: Play) -> None:
        """One more block is done."""
        self.ledger.interval(record)
        new = self._tally.add(record)
        for example in sorted(new, key=lambda one: one.rows):
            if self.around.stop() is None and self._looks.wants(example):
                self._tell(play, f"making a case of {example.oracle} small")
                self._look(example, record.get("ended"))
        self._tell(play, play.state)

    def _look(self, example: Example, ended: str | None) -> None:
        """Look into a case, and keep it."""
        if ended is None:
            finding = self._looks.into(example)
        else:
            finding = self._looks.as_it_is(example, ended)
        if why := keep(finding, self._corpus, self._named):
            self._old["faults"] = [*self._old["faults"], why]
        self.ledger.anomaly({"finding": finding})
        self.ledger.sync()

    def _tell(self, play: Play, state: str) -> None:
        """Tell how far it is."""
        spent_ns = self.around.clock.now_ns() - self.began_ns
        findings = self._looks.findings
        counts = {
            "cases": self._tally.cases,
            "findings": len(findings),
            "last": findings[-1] if findings else None,
            "state": state,
        }
        share = play.share(self._tally.cases)
        done = self._tally.trial_ns, share, spent_ns, self._tally.characters
        self.around.watcher.progress(Progress(*done, counts))

    def _written(self, play: Play, boards: Boards | None) -> FuzzResult:
        """The result, which is in the ledger if it can be."""
        ledger = self.ledger
        known = {
            "seed": self.seed,
            "corpus": self._old,
            "open": play.open,
            "ended": play.ended,
            "last": play.last,
            "revived": boards.revived if boards else 0,
            "left_out": boards.left_out if boards else 0,
            "void": self._void,
        }
        order = [kind.name for kind in KINDS]
        figures = self.ended(
            fuzz_verdict(self._tally, self._looks.findings, known, order)
        )
        figures["notes"] += self._left.notes
        figures |= self._left.figures
        if play.lost:
            figures["exit_code"] = int(ExitCode.LINK)
        made = FuzzResult(**self.outcome(figures))
        if made.signal is None:  # else it can be gone on with
            with suppress(LedgerError):
                ledger.verdict(made.as_dict())
        made = FuzzResult(**self.outcome(figures))
        with suppress(LedgerError):
            ledger.report(fuzz_page(made.as_dict(), self.facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return FuzzResult(**self.outcome(figures))
