"""Response-time analysis: when work is done that other work may interrupt or hold up.

Fixed priorities, one processor.  The recurrence R = C + B + sum of ceil(R / T) x C is
that of Joseph and Pandya (Computer Journal 29(5), 1986) and Audsley et al. (1993).  Two
traps are kept out:

* With deadlines past a period the first job of a busy period need not be the worst one
  (Lehoczky, RTSS 1990): all jobs of the busy period are looked at.
* What cannot be pre-empted (a handler, a transfer) is analysed by when it starts, and
  by all its jobs too (Davis, Burns, Bril and Lukkien, Real-Time Systems 35, 2007).

Where the phase of a release is known, `Task.first` says how long after the window's
beginning it comes; otherwise it comes at once, which is the worst.  Load below one
proves nothing here, nor does a load above the bound of Liu and Layland disprove.

Times are any exact numbers (integers, fractions) in one unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    Time = int | Fraction

_MOST_STEPS = 10_000
"""Of one recurrence; a load just below one takes many, one of exactly one may take any
number."""

_MOST_JOBS = 1_000
"""Of one busy period: with more the load is so near to one that no bound is given."""


@dataclass(frozen=True, slots=True)
class Task:
    """Work that is asked for again and again.

    Attributes:
        name: What it is.
        cost: Time of one job.
        period: Least time from one release to the next.
        jitter: How much closer than a period two releases may come for once.
        first: From the window's beginning to the first release.
    """

    name: str
    cost: Time
    period: Time
    jitter: Time = 0
    first: Time = 0

    @property
    def share(self) -> Fraction:
        """The share of the processor that it takes."""
        return Fraction(self.cost) / Fraction(self.period)

    def before(self, window: Time) -> int:
        """Most releases within a window, its end left out."""
        reach = window + self.jitter - self.first
        return ceil(Fraction(reach) / self.period) if reach > 0 else 0

    def by(self, window: Time) -> int:
        """Most releases within a window, its end included."""
        reach = window + self.jitter - self.first
        return floor(Fraction(reach) / self.period) + 1 if reach >= 0 else 0


@dataclass(frozen=True, slots=True)
class Response:
    """How late a task may be done after its release.

    Attributes:
        worst: The greatest response of any job of the busy period; None: it has no
            end.
        jobs: Of each job of the busy period, in order.
    """

    worst: Fraction | None
    jobs: tuple[Fraction, ...]

    @property
    def job(self) -> int | None:
        """Which job is the worst, from 1."""
        return None if self.worst is None else 1 + self.jobs.index(self.worst)


def load(tasks: Iterable[Task]) -> Fraction:
    """The share of the processor that tasks take."""
    return sum((task.share for task in tasks), Fraction(0))


def done(work: Time, tasks: Sequence[Task], most: Time | None = None) -> Time | None:
    """When work that tasks interrupt is done, from the window's beginning.

    Args:
        work: The work itself, and what it has to wait for first.
        tasks: What interrupts it.
        most: Where to give up.

    Returns:
        None if it is never done, or not by then.
    """
    return _settled(work, tasks, Task.before, most)


def begun(wait: Time, tasks: Sequence[Task], most: Time | None = None) -> Time | None:
    """When work that cannot be pre-empted begins, if what is released first goes first.

    Args:
        wait: What is under way, and cannot be pre-empted either.
        tasks: What goes first.
        most: Where to give up.

    Returns:
        None if it never begins, or not by then.
    """
    return _settled(wait, tasks, Task.by, most)


def _settled(
    base: Time,
    tasks: Sequence[Task],
    count: Callable[[Task, Time], int],
    most: Time | None,
) -> Time | None:
    """The least fixed point of t = base + sum of count(t) x cost."""
    share = load(tasks)
    if share > 1:
        return None
    time = base
    if share < 1:
        # No solution is below that of the same work without rounding.
        later_by = sum((task.first * task.share for task in tasks), Fraction(0))
        time = max(base, floor((base - later_by) / (1 - share)))
    for _ in range(_MOST_STEPS):
        later = base + sum(count(task, time) * task.cost for task in tasks)
        if later == time:
            return time
        if most is not None and later > most:
            return None
        time = later
    return None


def response(
    task: Task,
    higher: Sequence[Task] = (),
    *,
    blocking: Time = 0,
    preemptive: bool = True,
) -> Response:
    """The worst response of a task among others, over all jobs of its busy period.

    Args:
        task: Whose it is.
        higher: Tasks of higher priority.
        blocking: Longest work of lower priority that cannot be pre-empted.
        preemptive: Whether those of higher priority interrupt it once it has begun.
    """
    everything = [task, *higher]
    length = done(blocking, everything) if blocking else _from_rest(everything)
    if length is None:
        return Response(None, ())
    count = max(1, task.before(length))
    if count > _MOST_JOBS:
        return Response(None, ())
    jobs: list[Fraction] = []
    for job in range(count):
        before = blocking + job * task.cost
        if preemptive:
            ended = done(before + task.cost, higher)
        else:
            start = begun(before, higher)
            ended = None if start is None else start + task.cost
        if ended is None:
            return Response(None, ())
        asked = max(Fraction(0), job * Fraction(task.period) - task.jitter)
        jobs.append(Fraction(ended) - asked)
    return Response(max(jobs), tuple(jobs))


def _from_rest(tasks: Sequence[Task]) -> Time | None:
    """How long tasks that are all released at once keep the processor busy."""

    def asked(task: Task, time: Time) -> int:
        return max(1, task.before(time))

    return _settled(0, tasks, asked, None)
