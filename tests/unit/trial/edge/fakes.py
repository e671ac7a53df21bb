"""Boards that are a function: what a value does, and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.trial.edge.ask import quest_of
from bench.trial.edge.probe import Lengths, Prober
from bench.trial.sweep.point import record_of
from bench.trial.sweep.scale import scale_of
from bench.trial.sweep.state import State
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from fractions import Fraction

    from bench.trial.edge.find import Quest
    from bench.trial.sweep.hands import Died, Record, Stop
    from bench.trial.sweep.point import Job, Task

    Says = Callable[[Fraction, int, int], State]

TEMPLATE = Template.of_file("causeway")


class Boards:
    """Tries points by asking a function."""

    def __init__(self, says: Says, packets: int = 100) -> None:
        """What boards do.

        Args:
            says: Of a value, a seed and the length of a trial in ns.
            packets: Offered in each trial.
        """
        self.says = says
        self.packets = packets
        self.tried: list[tuple[Fraction, int, int]] = []

    def work(
        self, job: Job, tasks: Iterable[Task], stop: Stop
    ) -> Iterator[tuple[Task, Record | Died]]:
        """See `bench.trial.sweep.hands.Hands`."""
        for task in tasks:
            if stop() is not None:
                return
            point = job.point(task)
            (text,) = [v for name, v in point.items() if name != "seed"] or ["0"]
            value, seed = scale_of([text], "x")[1][0], int(point.get("seed", job.seed))
            self.tried.append((value, seed, job.duration_ns or 0))
            state = self.says(*self.tried[-1])
            record = record_of(job, task, state, f"{state.value} at {text}")
            shown = self.packets if state is State.PASS else 0
            packets = {"offered": self.packets, "shown": shown}
            nodes = [{"name": name, **packets} for name in ("one", "two")]
            yield task, record | {"packets": packets, "nodes": nodes, "trial_ns": 10}


def asked(
    start: str,
    end: str,
    within: str | None = None,
    name: str = "output.clock",
    scale: str | None = None,
) -> Quest:
    """What is looked for."""
    return quest_of(TEMPLATE, name, (start, end), within, scale)


def prober(quest: Quest, boards: Any, seeds: Iterable[int] = (1,)) -> Prober:
    """One that asks boards."""
    axis, lengths = (quest.name, quest.scale), Lengths(10**9, 60 * 10**9)
    return Prober(TEMPLATE, axis, list(seeds), lengths, boards, lambda _: None)


def above(limit: int, state: State = State.FAIL) -> Says:
    """Good up to a value."""
    return lambda value, *_: state if value > limit else State.PASS
