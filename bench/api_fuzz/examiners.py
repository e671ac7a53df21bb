"""What a process does that examines nodes of the zoo."""

from __future__ import annotations

from functools import partial

from bench.api_search import workers
from bench.base.clock import SystemClock
from bench.fuzz.campaign.exam import examined, zoo_of


def serve() -> None:
    """Be a worker; see `bench.api_search.workers.serve`."""
    workers.serve(zoo_of, partial(examined, clock=SystemClock()))


def processes(count: int) -> workers.Processes:
    """Workers on this machine."""
    return workers.Processes(count, workers.own_command(__name__))
