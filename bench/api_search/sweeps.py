"""Sweeps from Python; see the package."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.api import StreamResult, refuse_number
from bench.api_search.kept import (
    MOST_SEED,
    Around,
    Run,
    before_of,
    clocked_of,
    limits_of,
    rehearsed,
    template_of,
    way_of,
)
from bench.api_search.workers import Cluster, Processes, cores
from bench.base.errors import Fault, LedgerError, ProfileError, UsageError
from bench.ledger import read_run
from bench.report.points import as_csv, as_parquet, columns_of
from bench.report.sweep import sweep_page
from bench.trial.runner import Progress
from bench.trial.sweep.axes import axis_of, points_of
from bench.trial.sweep.closed import over_budget
from bench.trial.sweep.gather import Gatherer
from bench.trial.sweep.hands import InTurn
from bench.trial.sweep.point import SIMULATED, Job, job_of
from bench.trial.sweep.result import sweep_verdict

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.base.clock import Clock
    from bench.profile import Profile
    from bench.trial.sweep.hands import Before, Hands
    from bench.trial.sweep.point import MakeLink, Way
    from bench.trial.sweep.template import Template


@dataclass(frozen=True, slots=True)
class SweepResult(StreamResult):
    """How a sweep ended; as for a stream, and what became of each point.

    Attributes:
        points: A record of each point that was tried, in their order.
    """

    points: Sequence[Mapping[str, Any]] = field(default=())

    def as_dict(self) -> dict[str, Any]:
        """Everything, as strict JSON."""
        return {**StreamResult.as_dict(self), "points": list(self.points)}


def sweep(
    profile: str | Path | Profile,
    over: Sequence[str],
    *,
    overrides: Sequence[str] = (),
    packets: int | None = None,
    duration: str | int | None = None,
    seed: int = 0,
    jobs: int | None = None,
    cluster: str | None = None,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    before: str | None = None,
    before_packet: bytes = b"",
    **around: Any,
) -> SweepResult:
    """Try every point of a grid, and keep what became of each.

    Args:
        profile: The name of a shipped profile, a path, or a profile.
        over: An axis each, "bus.baud=1 Mbaud .. 6 Mbaud, 11"; see
            `bench.trial.sweep.axes`.
        overrides: Values set at all points, "output.devices=10".
        packets: Each trial ends after so many packets to the nodes.
        duration: Each trial is so long: "10s", or nanoseconds.  With neither limit it
            is one second, and twenty frames at least.
        seed: What every draw depends on, where no axis is the seed.
        jobs: Processes that try points; as many as there are cores unless given.
        cluster: The address of a Dask cluster that tries them instead.
        make_link: A link to nodes of a profile, with a seed; to simulated ones unless
            given.  Points are then tried one after another in this process, and boards
            are given time to settle.
        allowed: On boards: which limits of the light guard may be passed.
        before: A command that is run before each point.
        before_packet: Octets sent before each point, at the profile's own baud.
        **around: The attributes of `Around`.

    Raises:
        UsageError: If there is no such axis, or the arguments cannot be obeyed.
        ProfileError: If the profile has faults.
        LinkError: If the link is lost, or no cluster answers.
        LedgerError: If the ledger cannot be begun, or stopped the traffic.
    """
    refuse_number("seed", seed, MOST_SEED)
    template = template_of(profile, overrides)
    axes = tuple(axis_of(text, template.tables) for text in over)
    if not axes:
        raise UsageError(Fault("nothing is varied", expected="an axis", where="--over"))
    _refuse_idle(template, axes)
    limits = limits_of(template, packets, duration)
    job = Job(template, axes, *limits, seed)
    points_of(axes)
    place = Around(**around)
    clocked = clocked_of([axis.name for axis in axes], before)
    way, link = way_of(template, seed, make_link, allowed, clocked)
    first = before_of(before, before_packet, [axis.name for axis in axes])
    hands = _hands(way, first, (jobs, cluster), place.clock)
    known = {
        "link": link,
        "before": before,
        "before_packet": before_packet.hex(" ").upper(),
        "sweep": job.as_dict(),
    }
    return _Sweep(job, hands, place, known).begun()


def resume_sweep(
    run: str | Path,
    *,
    jobs: int | None = None,
    cluster: str | None = None,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    **around: Any,
) -> SweepResult:
    """Go on with a sweep that did not come to its end.

    Args:
        run: The folder of its ledger.
        jobs: As for `sweep`.
        cluster: Likewise.
        make_link: Likewise.
        allowed: Likewise.
        **around: Likewise.

    Raises:
        LedgerError: If it is not the folder of a sweep, or that has ended.
        BenchError: As `sweep`.
    """
    folder = Path(run)
    facts = read_run(folder).run
    if "sweep" not in facts:
        fault = Fault("not a sweep", expected="the folder of one", where=str(folder))
        raise LedgerError(fault)
    job = job_of(facts["sweep"])
    octets = bytes.fromhex(facts.get("before_packet") or "")
    place = Around(**around)
    way, link = way_of(job.template, job.seed, make_link, allowed)
    if link != facts.get("link"):
        fault = Fault("begun on another link", link, str(facts.get("link")), "--link")
        raise UsageError(fault)
    names = [axis.name for axis in job.axes]
    first = before_of(facts.get("before"), octets, names)
    hands = _hands(way, first, (jobs, cluster), place.clock)
    return _Sweep(job, hands, place, facts).resumed(folder)


# --- what is asked for ----------------------------------------------------------------


def _refuse_idle(template: Template, axes: Sequence[Any]) -> None:
    """Refuse an axis along which the profile stays as it is.

    Raises:
        UsageError: If there is one.
    """
    for axis in axes:
        if not axis.path or len(axis.values) < 2:
            continue
        made = []
        for value in (axis.values[0], axis.values[-1]):
            with suppress(ProfileError):
                made.append(template.profile([axis.sets(value)]))
        if len(made) == 2 and made[0] == made[1]:
            mend = "every node states its own: node.0.…"
            what = "an axis that changes nothing"
            raise UsageError(Fault(what, axis.name, where="--over", mend=mend))


def _hands(
    way: Way,
    before: Before,
    others: tuple[int | None, str | None],
    clock: Clock,
) -> Hands:
    """Those who try points.

    Args:
        way: The way to the nodes.
        before: What is done before each point.
        others: How many processes, and the address of a cluster.
        clock: The bench's clock.

    Raises:
        BenchError: If they cannot be had.
    """
    jobs, cluster = others
    if jobs is not None and jobs < 1:
        raise UsageError(Fault("out of range", str(jobs), "1 or more", "--jobs"))
    alone = way is not SIMULATED or before.command or before.octets
    if cluster is not None and alone:
        what = "a cluster has no boards, and nothing is done before its points"
        raise UsageError(Fault(what, cluster, where="--cluster"))
    if cluster is not None:
        return Cluster(cluster)
    count = jobs or cores()
    if alone or count == 1:
        return InTurn(way, clock=clock, before=before)
    return Processes(count)


# --- carried out ----------------------------------------------------------------------


class _Sweep(Run):
    """A sweep."""

    what = "sweep"

    def __init__(
        self, job: Job, hands: Hands, around: Around, known: Mapping[str, Any]
    ) -> None:
        super().__init__(job.template, job.seed, around, known)
        self._job = job
        self._hands = hands
        self._points = points_of(job.axes)
        self._trial_ns = self._characters = 0
        self._states: Counter[str] = Counter()

    def begun(self) -> SweepResult:
        """Try all points."""
        with self.create((self._job.packets, self._job.duration_ns)):
            return self._carried([])

    def resumed(self, folder: Path) -> SweepResult:
        """Go on with those that are left."""
        done = read_run(folder).intervals.records
        with self.reopen(folder):
            return self._carried(done)

    def _carried(self, done: Sequence[Mapping[str, Any]]) -> SweepResult:
        around = self.around
        gatherer = Gatherer(
            self._job, self._points, self.ledger, around.clock, self._tell
        )
        gatherer.remember(done)
        self._states.update(one["state"] for one in gatherer.done.values())

        def work() -> None:
            try:
                if rehearsed(self._job, self._points, around.stop):
                    gatherer.gather(self._hands, around.stop)
            finally:
                if close := getattr(self._hands, "close", None):
                    close()

        self.kept(work)
        return self._written(gatherer)

    def _tell(self, gatherer: Gatherer) -> None:
        """One more point is done."""
        count = len(gatherer.done)
        last = next(reversed(gatherer.done.values()))
        self._trial_ns += last.get("trial_ns", 0)
        self._characters += last.get("characters", 0)
        self._states[last["state"]] += 1
        counts = {"points": count, "of": gatherer.of, "states": dict(self._states)}
        spent_ns = self.around.clock.now_ns() - self.began_ns
        share = count / gatherer.of
        self.around.watcher.progress(
            Progress(self._trial_ns, share, spent_ns, self._characters, counts)
        )

    def _written(self, gatherer: Gatherer) -> SweepResult:
        """The result, which is in the ledger if it can be."""
        ledger, records = self.ledger, gatherer.records
        figures = sweep_verdict(records, self._job.axes, gatherer.of)
        figures["over_budget"] = over_budget(self._job, records)
        figures = self.ended(figures)
        made = SweepResult(**self.outcome(figures), points=records)
        with suppress(LedgerError):
            self._tables(records, figures)
        if made.signal is None:  # else it can be gone on with
            with suppress(LedgerError):
                ledger.verdict(StreamResult.as_dict(made))
        made = SweepResult(**self.outcome(figures), points=records)
        with suppress(LedgerError):
            page = sweep_page(StreamResult.as_dict(made), self.facts, records)
            ledger.report(page.plain())
        with suppress(LedgerError):
            ledger.close()
        return SweepResult(**self.outcome(figures), points=records)

    def _tables(
        self, records: Sequence[Mapping[str, Any]], figures: Mapping[str, Any]
    ) -> None:
        """The points for other programs."""
        columns = columns_of(records, figures["axes"])
        self.ledger.attach("points.csv", as_csv(columns))
        with suppress(UsageError):  # the library is not there
            self.ledger.attach("points.parquet", as_parquet(columns))
