"""Cases that are kept, sent again: one, or a whole corpus."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.api import StreamResult
from bench.api_fuzz.campaigns import FuzzResult
from bench.api_fuzz.kept import NO_LIMITS, UNLIMITED
from bench.api_fuzz.old import replay_first, replayed, take
from bench.api_search.kept import Around, Run, template_of
from bench.base.errors import ExitCode, Fault, LedgerError, ProfileError, UsageError
from bench.base.grid import NS_PER_S
from bench.fuzz.attacks import Attacks
from bench.fuzz.attacks.kinds import KINDS
from bench.fuzz.campaign.boards import Boards
from bench.fuzz.campaign.digest import case_digest
from bench.fuzz.campaign.finding import Named, case_kept, kept_from
from bench.fuzz.campaign.job import job_of
from bench.fuzz.campaign.looks import Looks, Trying, on_fresh
from bench.fuzz.campaign.tally import Tally
from bench.fuzz.campaign.verdict import fuzz_verdict
from bench.fuzz.corpus import Corpus
from bench.fuzz.corpus.folder import read_case, refuse_other
from bench.ledger import read_run
from bench.link.evidence import NO_EVIDENCE
from bench.report.fuzz.page import fuzz_page
from bench.trial.lights import refuse_lights
from bench.trial.links import reaches_lights
from bench.trial.plan import Plan
from bench.trial.sweep.point import on_all_cores

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.fuzz.corpus import Kept
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.sweep.point import MakeLink
    from bench.trial.sweep.template import Template


def replay_case(
    case: str | Path,
    *,
    profile: str | Path | Profile | None = None,
    overrides: Sequence[str] = (),
    node: str | None = None,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    **around: Any,
) -> FuzzResult:
    """Send a kept case again.

    FAIL if it still breaks something; PASS if it does not, as often as it has to be
    tried for that, given how often it failed.

    Args:
        case: Its file.
        profile: Of the node; the one that the case names unless stated.
        overrides: More values set, over those that the case names.
        node: Name of the node that is attacked; the first unless stated.
        make_link: As for `fuzz`.
        allowed: Likewise.
        **around: Likewise.

    Raises:
        UsageError: If the file cannot be used.
        BenchError: As `fuzz`.
    """
    path = Path(case)
    kept = read_case(path)
    template = _template(kept, path, profile, overrides)
    refuse_other(kept, case_digest(template.profile()), path)
    run = _Replay(template, node, Around(**around))
    return run.case(path, kept, _boards_of(run, make_link, allowed))


def replay_finding(
    run: str | Path,
    number: int,
    *,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    **around: Any,
) -> FuzzResult:
    """Send again what a campaign found, from its ledger alone.

    Args:
        run: The folder of the campaign.
        number: Of the finding in its anomaly log; the first is 1.
        make_link: As for `fuzz`.
        allowed: Likewise.
        **around: Likewise.

    Raises:
        UsageError: If there is no such finding.
        BenchError: As `fuzz`.
    """
    stored = read_run(Path(run))
    records = stored.anomalies.records
    if not 1 <= number <= len(records):
        expected = f"1 to {len(records)}" if records else "a run with findings"
        fault = Fault("no such finding", str(number), expected, str(run))
        raise UsageError(fault)
    job = job_of(stored.run["fuzz"])
    source, sets = stored.run["named"]
    named = Named(source, tuple(sets), case_digest(job.profile))
    kept = kept_from(records[number - 1]["finding"], named)
    node = job.profile.node[job.node].name
    replay = _Replay(job.template, node, Around(**around))
    boards = _boards_of(replay, make_link, allowed)
    return replay.case(Path(run), kept, boards)


def replay_corpus(
    profile: str | Path | Profile,
    folder: str | Path = "corpus",
    *,
    overrides: Sequence[str] = (),
    node: str | None = None,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    **around: Any,
) -> FuzzResult:
    """Send all cases of a corpus again; those that no longer fail are moved.

    An empty corpus passes: what nobody has found yet is no failure.

    Args:
        profile: As for `fuzz`.
        folder: The corpus.
        overrides: As for `fuzz`.
        node: Likewise.
        make_link: Likewise.
        allowed: Likewise.
        **around: Likewise.

    Raises:
        BenchError: As `fuzz`.
    """
    template = template_of(profile, overrides)
    run = _Replay(template, node, Around(**around))
    corpus = Corpus(Path(folder))
    return run.corpus(corpus, _boards_of(run, make_link, allowed))


def _template(
    kept: Kept,
    path: Path,
    profile: str | Path | Profile | None,
    overrides: Sequence[str],
) -> Template:
    """The profile that a case is tried on.

    Raises:
        UsageError: If the profile that the case names is not there.
        ProfileError: If it has faults.
    """
    if profile is not None:
        return template_of(profile, overrides)
    try:
        return template_of(kept.profile, [*kept.sets, *overrides])
    except ProfileError as error:
        what = f"the profile of the case cannot be used: {error.lines[0]}"
        fault = Fault(what, where=str(path), mend="--profile says where it is now")
        raise UsageError(fault) from error


def _boards_of(
    run: _Replay, make_link: MakeLink | None, allowed: Sequence[str]
) -> Boards | None:
    """Boards, if there are any; what they would be lit with is looked at first."""
    if make_link is None:
        return None
    profile = run.template.profile()

    def make() -> Link:
        return make_link(profile, run.seed)

    with make() as link:
        run.link = link.name
    if reaches_lights(run.link):
        refuse_lights(Plan(profile, run.seed, None, NS_PER_S), tuple(allowed))
    return Boards(run.attacks, make, run.around.clock)


class _Replay(Run):
    """Cases that are sent again."""

    what = "replay"

    def __init__(self, template: Template, node: str | None, around: Around) -> None:
        super().__init__(template, 0, around, {})
        from bench.api_fuzz.asked import index_of

        profile = template.profile()
        self.attacks = Attacks(profile, node=index_of(profile, node))
        self.link = "simulated"
        self._left = NO_EVIDENCE

    def case(self, path: Path, kept: Kept, boards: Boards | None) -> FuzzResult:
        """One case."""
        case = case_kept(kept, self.attacks, str(path))
        counts = {"folder": str(path), "faults": [], "replayed": 1}

        def work(looks: Looks) -> dict[str, Any]:
            breach, rate = replayed(looks, case, kept, certain=boards is None)
            if breach is not None:
                take(looks, (case, path), breach, rate)
            failed = int(breach is not None)
            tried = f"it did not fail in {rate.tries} tries"
            return {**counts, "failed": failed, "mended": 0, "tried": tried}

        return self._carried(work, boards)

    def corpus(self, corpus: Corpus, boards: Boards | None) -> FuzzResult:
        """A whole corpus."""
        profile = self.template.profile()
        named = Named(profile.name, (), case_digest(profile))

        def work(looks: Looks) -> dict[str, Any]:
            counts = replay_first(corpus, named, looks, certain=boards is None)
            tried = f"none of {counts['replayed']} cases of the corpus fails"
            return {**counts, "tried": tried}

        return self._carried(work, boards)

    def _carried(
        self, work: Callable[[Looks], dict[str, Any]], boards: Boards | None
    ) -> FuzzResult:
        """Do it, and write down how it ended."""
        around = self.around
        self.facts = {**UNLIMITED, "link": self.link}
        looks = Looks(
            self.attacks,
            boards.tried if boards else self._trying(),
            around.clock,
            certain=boards is None,
            stop=around.stop,
        )
        told: dict[str, Any] = {}

        def kept() -> None:
            try:
                told.update(work(looks))
            finally:
                if boards is not None:
                    plan = Plan(self.template.profile(), self.seed, 1)
                    self._left = boards.leave(plan)

        with self.create(NO_LIMITS):
            self.kept(kept)
            for finding in looks.findings:
                self.ledger.anomaly({"finding": finding})
            return self._written(looks, told)

    def _trying(self) -> Trying:
        """Tries a case on simulated nodes that are new."""
        profile = self.template.profile()
        return on_fresh(self.attacks, lambda: on_all_cores(profile, self.seed))

    def _written(self, looks: Looks, told: dict[str, Any]) -> FuzzResult:
        """The result, which is in the ledger if it can be."""
        ledger, tried = self.ledger, told.pop("tried", "")
        known = {
            "seed": self.seed,
            "corpus": told,
            "open": False,
            "ended": None,
            "last": None,
            "revived": 0,
            "left_out": 0,
            "void": [],
        }
        order = [kind.name for kind in KINDS]
        figures = fuzz_verdict(Tally(), looks.findings, known, order)
        if not looks.findings:
            figures |= {"verdict": "PASS", "reason": tried}
            figures |= {"exit_code": int(ExitCode.PASS), "void": []}
        figures["notes"] += self._left.notes
        figures = self.ended(figures | {"corpus": told, **self._left.figures})
        with suppress(LedgerError):
            made = FuzzResult(**self.outcome(figures))
            ledger.verdict(StreamResult.as_dict(made))
        with suppress(LedgerError):
            made = FuzzResult(**self.outcome(figures))
            ledger.report(fuzz_page(made.as_dict(), self.facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return FuzzResult(**self.outcome(figures))
