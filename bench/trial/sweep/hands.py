"""Who does the work of a sweep, point by point.

Whoever it is takes tasks and gives back records, in whatever order they are done.  One
that dies over a point says so and goes on with the others.  Here is the one that does
one after another in this process, which is how real boards are tried; others, in other
processes and on other machines, are made by the face.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from bench.base.columns import FLAW, RUN, Line, no_rows
from bench.base.grid import NS_PER_S
from bench.trial.sweep.point import SIMULATED, WAITED_FOR, record_of, tried
from bench.trial.sweep.state import State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from bench.base.clock import Clock
    from bench.trial.sweep.point import Job, Task, Way

    Record = dict[str, Any]
    Stop = Callable[[], int | None]

SETTLE_NS = 5 * NS_PER_S
"""How long real boards are left alone between trials, so that they are at rest again
(RFC 2544, section 23); the two seconds for stragglers before it are the runner's."""

_LOOK_S = 0.1
"""How often a request to stop is looked for meanwhile."""


@dataclass(frozen=True, slots=True)
class Died:
    """Whoever tried a point did not live to tell.

    Attributes:
        why: As far as that is known.
    """

    why: str


class Hands(Protocol):
    """Who does the work."""

    def work(
        self, job: Job, tasks: Iterable[Task], stop: Stop
    ) -> Iterator[tuple[Task, Record | Died]]:
        """Try points until told to stop.

        Args:
            job: What they are points of.
            tasks: The points.
            stop: The number of a signal that came, or None.

        Raises:
            BenchError: If no more can be tried.
        """
        ...


@dataclass(frozen=True, slots=True)
class Before:
    """What is done before each point.

    Attributes:
        command: Is told the point, by the names of its axes; says what went wrong, or
            "".
        octets: Sent to the boards at the profile's own baud; none if empty.
    """

    command: Callable[[Mapping[str, str]], str] | None = None
    octets: bytes = b""


class Threads:
    """Several points at a time on simulated nodes, in this process.

    For few and long trials: their kernels let go of the interpreter, and nothing has to
    be started.
    """

    def __init__(self, count: int) -> None:
        self._count = count

    def work(
        self, job: Job, tasks: Iterable[Task], stop: Stop
    ) -> Iterator[tuple[Task, Record | Died]]:
        """See `Hands`."""
        tasks = list(tasks)
        if len(tasks) < 2 or self._count < 2:
            yield from InTurn(WAITED_FOR).work(job, tasks, stop)
            return
        with ThreadPoolExecutor(self._count, "trial") as pool:
            came = pool.map(lambda task: tried(job, task, SIMULATED, stop), tasks)
            for task, record in zip(tasks, came, strict=True):
                if record is not None:
                    yield task, record


class InTurn:
    """One point after another, in this process."""

    def __init__(
        self,
        way: Way = SIMULATED,
        *,
        clock: Clock | None = None,
        before: Before | None = None,
    ) -> None:
        """Get ready.

        Args:
            way: The way to the nodes; boards are given time to settle.
            clock: Waited on; needed for real boards.
            before: What is done before each point.
        """
        if way.real and clock is None:
            raise ValueError("real boards need a clock to be waited on")
        self._way = way
        self._clock = clock
        self._before = before or Before()

    def work(
        self, job: Job, tasks: Iterable[Task], stop: Stop
    ) -> Iterator[tuple[Task, Record | Died]]:
        """See `Hands`."""
        for task in tasks:
            if stop() is not None:
                return
            if why := self._prepared(job, task):
                yield task, record_of(job, task, State.SKIPPED, why)
                continue
            if self._way.real and self._clock and not settled(self._clock, stop):
                return
            record = tried(job, task, self._way, stop)
            if record is None:
                return
            yield task, record

    def _prepared(self, job: Job, task: Task) -> str:
        """Do what comes before a point; what went wrong, or ""."""
        if self._before.octets:
            self._send(job, self._before.octets)
        if self._before.command is None:
            return ""
        return self._before.command(job.point(task))

    def _send(self, job: Job, octets: bytes) -> None:
        """Some octets to the boards, as one packet would be sent."""
        profile = job.template.profile()
        runs = np.zeros(1, RUN)
        whole = np.frombuffer(octets, np.uint8)
        until_ns = profile.bus.pitch.at(len(octets)) + 1
        with self._way.make_link(profile, job.seed) as link:
            link.carry(Line(whole, runs, no_rows(FLAW), 0, until_ns))


def settled(clock: Clock, stop: Stop) -> bool:
    """Leave real boards alone for long enough; False if told to stop meanwhile.

    Args:
        clock: Waited on.
        stop: The number of a signal that came, or None.
    """
    until_ns = clock.now_ns() + SETTLE_NS
    while (left_ns := until_ns - clock.now_ns()) > 0:
        if stop() is not None:
            return False
        clock.sleep(min(_LOOK_S, left_ns / NS_PER_S))
    return True
