"""The zoo from Python; see the package."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from bench.api_fuzz import examiners
from bench.api_search.kept import template_of
from bench.api_search.workers import cores
from bench.base.clock import SystemClock
from bench.base.errors import ExitCode, Fault, UsageError
from bench.base.units import shown
from bench.fuzz.campaign.exam import ZooJob, examined
from bench.trial.runner import Progress
from bench.trial.sweep.hands import Died
from bench.trial.sweep.point import Nobody, Task

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from bench.base.clock import Clock
    from bench.profile import Profile
    from bench.trial.runner import Watcher

MOST_CASES = 200_000
"""Cases after which a bad node counts as not found."""

GOOD_CASES = 20_000
"""Cases on each good node; what takes longer is for the night."""


@dataclass(frozen=True, slots=True)
class ZooResult:
    """How the exam ended.

    Attributes:
        nodes: A record of each bad node: `name`, `found`, `by`, `oracle`, `cases`,
            `smallest`, `known`, `finding` and more.
        good: One of each good node: `name`, `cases`, `found`.
        left: Nodes that were not examined.
        seed: What draws depended on.
        spent_ns: How long it took.
        signal: The signal that ended it early, or None.
    """

    nodes: Sequence[dict[str, Any]]
    good: Sequence[dict[str, Any]]
    left: int
    seed: int
    spent_ns: int
    signal: int | None

    @property
    def missed(self) -> list[dict[str, Any]]:
        """Bad nodes that were not found."""
        return [node for node in self.nodes if not node["found"]]

    @property
    def false_alarms(self) -> list[dict[str, Any]]:
        """Good nodes in which something was."""
        return [node for node in self.good if node["found"]]

    @property
    def larger(self) -> list[dict[str, Any]]:
        """Bad nodes whose case did not become as small as is known to be enough."""
        return [
            node
            for node in self.nodes
            if node["found"] and node["known"] is not None
            if node["smallest"] is None or node["smallest"] > node["known"]
        ]

    @property
    def exit_code(self) -> int:
        """0 if every bad node was found and no good one."""
        if self.signal is not None:
            return 128 + self.signal
        wrong = self.missed or self.false_alarms or self.left
        return int(ExitCode.FAIL if wrong else ExitCode.PASS)


def zoo(
    profile: str | Path | Profile | None = None,
    *,
    overrides: Sequence[str] = (),
    names: Sequence[str] = (),
    seed: int = 0,
    cases: int = MOST_CASES,
    good_cases: int = GOOD_CASES,
    jobs: int | None = None,
    watcher: Watcher | None = None,
    stop: Callable[[], int | None] = lambda: None,
    clock: Clock | None = None,
) -> ZooResult:
    """Run the bench against nodes that are bad on purpose, and against good ones.

    Args:
        profile: What bad nodes are made from; each one's own board unless stated.
        overrides: Values set.
        names: Of the bad nodes; all unless stated, and then the good ones as well.
        seed: What draws depend on.
        cases: Cases after which a bad node counts as not found.
        good_cases: Cases on each good node.
        jobs: Processes; as many as there are cores unless given.
        watcher: Who is told of progress.
        stop: The number of a signal that came, or None.
        clock: The bench's clock.

    Raises:
        UsageError: If there is no such node.
        ProfileError: If the profile has faults.
    """
    template = None if profile is None else template_of(profile, overrides)
    job = ZooJob(template, seed, cases, good_cases)
    clock, looking = clock or SystemClock(), watcher or Nobody()
    began_ns = clock.now_ns()
    tasks = _tasks(job, names)
    nodes: list[dict[str, Any]] = []
    for task, came in _work(job, tasks, jobs or cores(), stop, clock):
        if isinstance(came, Died):
            raise RuntimeError(f"whoever examined {task.values[1]} died: {came.why}")
        nodes.append(came)
        counts = {"nodes": len(nodes), "of": len(tasks), "last": came}
        spent_ns = clock.now_ns() - began_ns
        share = len(nodes) / len(tasks)
        looking.progress(Progress(0, share, spent_ns, 0, counts))
    nodes.sort(key=lambda node: node["index"])
    return ZooResult(
        [node for node in nodes if node["kind"] != "good"],
        [node for node in nodes if node["kind"] == "good"],
        len(tasks) - len(nodes),
        seed,
        clock.now_ns() - began_ns,
        stop(),
    )


def _tasks(job: ZooJob, names: Sequence[str]) -> list[Task]:
    """Who is examined.

    Raises:
        UsageError: If somebody is not there.
    """
    known = [bad.name for bad in job.bad()]
    for name in names:
        if name not in known:
            fault = Fault("no such bad node", shown(name), ", ".join(known), "--node")
            raise UsageError(fault)
    wanted = [("bad", name) for name in known if not names or name in names]
    if not names:
        # What takes longest is begun first.
        wanted = [("good", name) for name in job.good_nodes()] + wanted
    return [Task(index, values) for index, values in enumerate(wanted)]


def _warm(job: ZooJob, task: Task, clock: Clock) -> None:
    """Compile kernels once, before many would."""
    from bench.kernels import jit

    if jit.COLD:
        examined(replace(job, most=1, good=1), task, clock)


def _work(
    job: ZooJob,
    tasks: Sequence[Task],
    jobs: int,
    stop: Callable[[], int | None],
    clock: Clock,
) -> Iterator[tuple[Task, dict[str, Any] | Died]]:
    """Records of all nodes, by this process or others."""
    if jobs > 1 and len(tasks) > 1:
        _warm(job, tasks[-1], clock)
        yield from examiners.processes(jobs).work(job, tasks, stop)
        return
    for task in tasks:
        if stop() is not None:
            return
        yield task, examined(job, task, clock)
