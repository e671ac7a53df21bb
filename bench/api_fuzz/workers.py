"""What a process, or a worker of a cluster, does with a block of cases."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.api_search import workers
from bench.fuzz.campaign.job import FuzzJob, job_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from bench.fuzz.campaign.batches import Player
    from bench.trial.sweep.hands import Stop
    from bench.trial.sweep.point import Task


def played(job: FuzzJob, task: Task) -> dict[str, Any]:
    """The record of one block on simulated nodes."""
    first, count = (int(value) for value in task.values)
    return {"index": task.index, **_player(job).played(first, count)}


def _player(job: FuzzJob) -> Player:
    """What plays blocks of a job; kept between blocks."""
    from bench.fuzz.campaign.batches import Player

    if not _PLAYERS or _PLAYERS[0].job is not job:
        _PLAYERS[:] = [Player(job)]
    return _PLAYERS[0]


_PLAYERS: list[Player] = []


def warmed(job: FuzzJob) -> None:
    """Compile kernels once, before many would, and before time is counted."""
    from bench.kernels import jit

    if jit.COLD:
        _player(job).played(0, 1)


def serve() -> None:
    """Be a worker; see `bench.api_search.workers.serve`."""
    workers.serve(job_of, played)


def answer_for(job: Mapping[str, Any], index: int, values: Sequence[str]) -> str:
    """The record of one block, for a worker of a cluster."""
    return workers.answered(_job(repr(job), job), (index, values), played)


_JOBS: dict[str, FuzzJob] = {}


def _job(key: str, given: Mapping[str, Any]) -> FuzzJob:
    """A job that was made before, if it is the same."""
    if key not in _JOBS:
        _JOBS.clear()
        _JOBS[key] = job_of(given)
    return _JOBS[key]


class InTurn:
    """One block after another, in this process."""

    def work(
        self, job: FuzzJob, tasks: Iterable[Task], stop: Stop
    ) -> Iterator[tuple[Task, dict[str, Any]]]:
        """See `bench.trial.sweep.hands.Hands`."""
        for task in tasks:
            if stop() is not None:
                return
            yield task, played(job, task)


def processes(count: int) -> workers.Processes:
    """Workers on this machine."""
    return workers.Processes(count, workers.own_command(__name__))


def cluster(address: str) -> workers.Cluster:
    """The workers of a Dask cluster.

    Raises:
        BenchError: If they cannot be had.
    """
    return workers.Cluster(address, answer_for)
