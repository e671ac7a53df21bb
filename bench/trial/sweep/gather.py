"""All points of a sweep: tried by somebody, gathered, and kept one by one.

Each finished point is one record in the ledger, so whatever happens, what is there is
what was done, and a sweep goes on from it.  A point over which a worker died is tried
once more; if that one dies too, the point is reported and the sweep goes on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.trial.runner import SYNC_NS
from bench.trial.sweep.hands import Died
from bench.trial.sweep.point import Task, record_of
from bench.trial.sweep.state import State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from bench.base.clock import Clock
    from bench.trial.runner import Records
    from bench.trial.sweep.hands import Hands
    from bench.trial.sweep.point import Job

    Record = dict[str, Any]

_OPEN = (State.SKIPPED.value, State.DIED.value)
"""Such points are not finished: whoever goes on tries them again."""


class Gatherer:
    """Gathers the records of all points.

    Attributes:
        done: The record of each point, by its index.
    """

    def __init__(
        self,
        job: Job,
        points: Sequence[tuple[str, ...]],
        ledger: Records,
        clock: Clock,
        tell: Callable[[Gatherer], None],
    ) -> None:
        """Begin with none.

        Args:
            job: What is swept.
            points: All its points.
            ledger: Where records go.
            clock: By which the ledger is put on the disk now and then.
            tell: Told after each point.
        """
        self.done: dict[int, Record] = {}
        self._job = job
        self._tasks = [Task(index, values) for index, values in enumerate(points)]
        self._ledger = ledger
        self._clock = clock
        self._tell = tell
        self._synced_ns = clock.now_ns()

    @property
    def of(self) -> int:
        """How many points there are."""
        return len(self._tasks)

    @property
    def records(self) -> list[Record]:
        """What there is, in the order of the points."""
        return [self.done[index] for index in sorted(self.done)]

    def remember(self, records: Iterable[Mapping[str, Any]]) -> None:
        """Take points that were finished in an earlier run; strangers are left out."""
        for record in records:
            index = record.get("index")
            if not isinstance(index, int) or not 0 <= index < self.of:
                continue
            point = self._job.point(self._tasks[index])
            if record.get("point") == point and record.get("state") not in _OPEN:
                self.done[index] = dict(record)

    def gather(self, hands: Hands, stop: Callable[[], int | None]) -> None:
        """Let somebody try all points that are not done, until told to stop.

        Raises:
            BenchError: If no more can be tried, or the ledger cannot be written.
        """
        left = [task for task in self._tasks if task.index not in self.done]
        died = []
        for task, came in hands.work(self._job, left, stop):
            if isinstance(came, Died):
                died.append(task)
            else:
                self._keep(came)
        if stop() is not None:
            return
        for task, came in hands.work(self._job, died, stop):
            self._keep(self._twice(task, came))

    def _twice(self, task: Task, came: Record | Died) -> Record:
        """What is kept of a point that was tried again."""
        if not isinstance(came, Died):
            return came
        why = f"whoever tried it died, twice: {came.why}"
        return record_of(self._job, task, State.DIED, why)

    def _keep(self, record: Record) -> None:
        self.done[record["index"]] = record
        self._ledger.interval(record)
        now_ns = self._clock.now_ns()
        if now_ns - self._synced_ns >= SYNC_NS:
            self._ledger.sync()
            self._synced_ns = now_ns
        self._tell(self)
