"""How long it takes to make a case small, on simulated nodes."""

from __future__ import annotations

import pytest

from bench.base.clock import SystemClock
from bench.fuzz.campaign.exam import ZooJob, examined
from bench.fuzz.zoo import bad_nodes
from bench.trial.sweep.point import Task

pytestmark = pytest.mark.speed


def test_time_to_shrink():
    """Every bad node of the zoo: the time from a case to the smallest one."""
    job, clock = ZooJob(None, 0, 20_000, 100), SystemClock()
    times = []
    for index, bad in enumerate(bad_nodes()):
        began_ns = clock.now_ns()
        record = examined(job, Task(index, ("bad", bad.name)), clock)
        if record["finding"] is not None:
            finding = record["finding"]
            whole_ns = clock.now_ns() - began_ns
            times.append((finding["spent_ns"], finding["tried"], whole_ns, bad.name))
    times.sort()
    for spent_ns, tries, whole_ns, name in times[-8:]:
        spent = f"{spent_ns / 1e9:.2f} s, {tries} tries, in all {whole_ns / 1e9:.2f} s"
        print(f"\n{name}: {spent}", end="")  # noqa: T201
    middle_ns = times[len(times) // 2][0]
    print(f"\nhalf of {len(times)} within {middle_ns / 1e9:.3f} s")  # noqa: T201
    assert times
