"""All steps of a plan, in order, with a ledger that they can be gone on with."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.api import StreamResult, refuse_number
from bench.api_accept.ahead import tasks_of
from bench.api_accept.plans import ReadPlan, load_plan
from bench.api_accept.steps import Doer
from bench.api_search.kept import MOST_SEED, Around, Run, template_of, way_of
from bench.base.errors import ExitCode, Fault, LedgerError, UsageError
from bench.base.units import shown
from bench.ledger import read_run
from bench.profile import profile_digest
from bench.report.accept import accept_page
from bench.trial.accept.result import verdict_of
from bench.trial.runner import Progress

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.api_accept.ahead import Task
    from bench.profile import Profile
    from bench.trial.accept.judged import Judged
    from bench.trial.sweep.point import MakeLink
    from bench.trial.sweep.template import Template

PLAN = "plan.toml"
"""The plan, kept beside the resolved profile."""

BEGUN = "step begun"
"""The event that says in which run a step is carried out."""

_ANY_LENGTH = 1, None
"""Facts of a run are made of a plan, which has a length; these say that it has none."""

_UNNAMED = "the board is not named: state its serial and its firmware"


class AcceptResult(StreamResult):
    """How an acceptance ended; as for a stream, and `figures["accept"]` has steps."""


def accept(
    profile: str | Path | Profile,
    plan: str | Path | ReadPlan,
    *,
    overrides: Sequence[str] = (),
    seed: int = 0,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    resume: str | Path | None = None,
    words: Sequence[str] = (),
    **around: Any,
) -> AcceptResult:
    """Carry out every step of a plan, and say whether the board has passed.

    Args:
        profile: The profile: named, a file, or loaded.
        plan: The plan: the name of a shipped one, a file, or loaded.
        overrides: Values of the profile that are set beforehand.
        seed: What draws of every step depend on.
        make_link: A way to boards: a link for a profile and a seed.  Simulated nodes
            unless given.
        allowed: On boards: which limits of the light guard may be passed.
        resume: The folder of an acceptance that was broken off, to go on with it; its
            seed and what was tested are in there.
        words: What commands of the report name the profile by.
        **around: The attributes of `bench.api_search.kept.Around`: `logs`, `dut`,
            `facts`, `on_log_failure`, `watcher`, `stop`, `clock`.

    Raises:
        UsageError: If the plan has faults, or is not the one that was begun.
        ProfileError: If the profile has faults.
        LinkError: If the link is lost; the acceptance can be gone on with.
        LedgerError: If the ledger cannot be begun, or stopped the traffic.
    """
    refuse_number("seed", seed, MOST_SEED)
    read = plan if isinstance(plan, ReadPlan) else load_plan(plan)
    template = template_of(profile, overrides)
    tasks = tasks_of(read, template, simulated=make_link is None)
    place = Around(**around)
    _, link = way_of(template, seed, make_link, allowed)
    known = {"link": link, "accept": _plan_facts(read)}
    ask = _Ask(read, tasks, make_link, tuple(allowed), tuple(words or _words(profile)))
    if resume is None:
        return _Acceptance(template, seed, place, known, ask).begun()
    folder = Path(resume)
    place, seed, facts = _refound(folder, place, template, known)
    return _Acceptance(template, seed, place, facts, ask).resumed(folder)


@dataclass(frozen=True)
class _Ask:
    """What is asked for.

    Attributes:
        read: The plan.
        tasks: Its steps on the profile.
        make_link: A way to boards, or None.
        allowed: Which limits of the light guard may be passed.
        words: What commands name the profile by.
    """

    read: ReadPlan
    tasks: list[Task]
    make_link: MakeLink | None
    allowed: tuple[str, ...]
    words: tuple[str, ...]


def _plan_facts(read: ReadPlan) -> dict[str, Any]:
    """What is kept of a plan."""
    return {
        "plan": read.plan.name,
        "plan_file": str(read.file),
        "plan_sha256": read.digest,
        "steps": [step.name for step in read.plan.step],
    }


def _words(profile: str | Path | Profile) -> list[str]:
    """What a command names a profile by."""
    return [str(profile) if isinstance(profile, str | Path) else f"{profile.name}.toml"]


def _refound(
    folder: Path, around: Around, template: Template, known: Mapping[str, Any]
) -> tuple[Around, int, dict[str, Any]]:
    """An acceptance that was broken off, as far as it is the same.

    Raises:
        LedgerError: If it is none.
        UsageError: If the profile, the plan, the link or the device is another one.
    """
    facts = read_run(folder).run
    begun = facts.get("accept")
    if facts.get("what") != "accept" or not isinstance(begun, dict):
        expected = "the folder of an acceptance"
        raise LedgerError(Fault("not an acceptance", "", expected, str(folder)))
    device = facts.get("dut") or {}
    same = [
        ("profile", profile_digest(template.profile()), facts.get("profile_digest")),
        ("plan", known["accept"]["plan_sha256"], begun.get("plan_sha256")),
        ("link", known["link"], facts.get("link")),
    ]
    same += [
        (f"dut {word}", text, device.get(word))
        for word, text in (around.dut or {}).items()
    ]
    for what, now, then in same:
        if now != then:
            fault = Fault(f"begun with another {what}", shown(now), shown(then))
            raise UsageError(Fault(fault.what, fault.value, fault.expected, "--resume"))
    stated = {word: text for word, text in device.items() if text}
    place = Around(
        around.logs,
        stated,
        around.facts,
        around.on_log_failure,
        around.watcher,
        around.stop,
        around.clock,
    )
    return place, int(facts["seed"]), dict(facts)


class _Acceptance(Run):
    """An acceptance."""

    what = "accept"

    def __init__(
        self,
        template: Template,
        seed: int,
        around: Around,
        known: Mapping[str, Any],
        ask: _Ask,
    ) -> None:
        super().__init__(template, seed, around, known)
        self._ask = ask
        self._done: list[dict[str, Any]] = []
        self._under_way: dict[str, Path] = {}
        self._trial_ns = self._characters = 0
        self._lost = ""

    def begun(self) -> AcceptResult:
        """Carry all steps out."""
        self.facts |= {"packets": None, "duration_ns": None}
        with self.create(_ANY_LENGTH) as ledger:
            with suppress(LedgerError):
                ledger.attach(PLAN, self._ask.read.text.encode())
            return self._carried()

    def resumed(self, folder: Path) -> AcceptResult:
        """Carry out those that are left."""
        records = read_run(folder).intervals.records
        names = [task.step.name for task in self._ask.tasks]
        done = {one["name"]: one for one in records if "step" in one}
        self._done = [done[name] for name in names if name in done]
        for one in records:
            if one.get("event") == BEGUN:
                self._under_way[one["text"]] = Path(one["run"])
        for one in self._done:
            self._trial_ns += one["trial_ns"]
            self._characters += one["characters"]
        with self.reopen(folder):
            return self._carried()

    def _carried(self) -> AcceptResult:
        self.kept(self._work)
        return self._written()

    def _work(self) -> None:
        done = {one["name"] for one in self._done}
        ask = self._ask
        doer = Doer(
            self.around,
            self.seed,
            ask.make_link,
            ask.allowed,
            ask.read.near,
            self.ledger.folder,
            ask.words,
        )
        for task in ask.tasks:
            if task.step.name in done:
                continue
            if self.around.stop() is not None or not self._step(doer, task):
                return

    def _step(self, doer: Doer, task: Task) -> bool:
        """One step; whether it was carried to its end."""
        began_ns = self.around.clock.now_ns()
        watcher = _Relay(self, task)
        result, judged = doer.carry(task, watcher, self._night(task))
        if result.signal is not None:
            return False
        if result.exit_code == ExitCode.LINK:
            self._lost = f"{task.step.name}: the link was lost"
            return False
        record = self._record(task, result, judged)
        record["spent_ns"] = self.around.clock.now_ns() - began_ns
        self._done.append(record)
        self._trial_ns += record["trial_ns"]
        self._characters += record["characters"]
        self.ledger.interval(record)
        self.ledger.sync()
        self.tell(len(self._done), None, record)
        return True

    def _night(self, task: Task) -> Path | None:
        """The run of a night that was broken off, as far as it can be gone on with."""
        folder = self._under_way.get(task.step.name)
        if task.step.kind != "soak" or folder is None:
            return None
        with suppress(LedgerError):
            if read_run(folder).verdict is None:
                return folder
        return None

    def _record(
        self, task: Task, result: StreamResult, judged: Judged
    ) -> dict[str, Any]:
        """What is kept of a step."""
        figures, step = result.figures, task.step
        line = figures.get("line") or {}
        return {
            "step": task.number,
            "name": step.name,
            "kind": step.kind,
            "verdict": judged.verdict.value,
            "reason": judged.reason,
            "required": judged.required,
            "measured": judged.measured,
            "margin": judged.margin,
            "run": str(result.run),
            "seed": result.seed,
            "trial_ns": figures.get("trial_ns") or 0,
            "characters": figures.get("characters") or line.get("characters") or 0,
        }

    def note(self, task: Task, folder: Path) -> None:
        """A step's own run has begun."""
        event = {"event": BEGUN, "text": task.step.name, "run": str(folder)}
        self.ledger.interval(
            event | {"from_ns": self._trial_ns, "to_ns": self._trial_ns}
        )
        self.ledger.sync()

    def tell(
        self,
        number: int,
        inner: Progress | None,
        last: Mapping[str, Any] | None = None,
        name: str = "",
    ) -> None:
        """Tell whoever looks on how far it is.

        Args:
            number: Steps that are done.
            inner: How far the step under way is.
            last: The step that was done just now.
            name: Of the step under way.
        """
        of = len(self._ask.tasks)
        share = (number + (inner.share if inner else 0.0)) / of
        spent_ns = self.around.clock.now_ns() - self.began_ns
        trial_ns = self._trial_ns + (inner.trial_ns if inner else 0)
        characters = self._characters + (inner.characters if inner else 0)
        counts = {"steps": number, "of": of, "name": name, "last": last}
        self.around.watcher.progress(
            Progress(trial_ns, min(1.0, share), spent_ns, characters, counts)
        )

    def _written(self) -> AcceptResult:
        """The result, which is in the ledger if it can be."""
        ledger, ask = self.ledger, self._ask
        figures = verdict_of(self._done, [task.step.name for task in ask.tasks])
        steps = figures.pop("steps")
        if self._lost:
            figures |= {"exit_code": int(ExitCode.LINK), "reason": self._lost}
            figures["void"] = [self._lost, *figures["void"]]
        notes = []
        stated = self.around.dut or {}
        if ask.make_link is not None and not (
            stated.get("serial") and stated.get("firmware")
        ):
            notes.append(_UNNAMED)
        figures |= {
            "notes": notes,
            "accept": {**_plan_facts(ask.read), "steps": steps},
            "trial_ns": self._trial_ns,
            "characters": self._characters,
        }
        figures = self.ended(figures)
        made = AcceptResult(**self.outcome(figures))
        if len(steps) == len(ask.tasks):  # else it can be gone on with
            with suppress(LedgerError):
                ledger.verdict(made.as_dict())
        made = AcceptResult(**self.outcome(figures))
        with suppress(LedgerError):
            ledger.report(accept_page(made.as_dict(), self.facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return AcceptResult(**self.outcome(figures))


class _Relay:
    """Looks on at one step, for whoever looks on at all of them."""

    def __init__(self, acceptance: _Acceptance, task: Task) -> None:
        self._acceptance = acceptance
        self._task = task
        self._number = len(acceptance._done)

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""
        self._acceptance.note(self._task, folder)

    def progress(self, progress: Progress) -> None:
        """See `bench.trial.runner.Watcher`."""
        name = self._task.step.name
        self._acceptance.tell(self._number, progress, name=name)
