"""How fast schedules are written: run with `-m speed -s`."""

from __future__ import annotations

from time import perf_counter
from typing import TYPE_CHECKING

import pytest

from bench.profile.load import load_profile
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from bench.profile.model import Profile

CHUNK = 1 << 16
ENOUGH = 30_000_000
"""Characters of one measurement: a tenth of a second or so."""

SHORT = ("output.devices=1", "output.register_bits=16", "traffic.pacing=flood")
"""Payloads of 16 octets: eight lanes of two."""

CASES = {
    "causeway": (),
    "causeway, packets alone": ("traffic.pacing=flood", "traffic.foreign.share=0"),
    "causeway, timed": ("traffic.pacing=timed",),
    "16-octet payloads": (*SHORT, "traffic.foreign.share=0"),
    "16-octet payloads, foreign": SHORT,
    "prbs31": ("traffic.pattern=prbs31",),
}


def characters_a_second(profile: Profile) -> float:
    """The best of five measurements, after one chunk to warm up."""
    best = 0.0
    for _ in range(5):
        schedule = Schedule(profile, seed=1)
        schedule.take(CHUNK)
        count = 0
        start = perf_counter()
        while count < ENOUGH:
            line, _ = schedule.take(CHUNK)
            count += len(line.octets)
        best = max(best, count / (perf_counter() - start))
    return best


@pytest.mark.speed
@pytest.mark.parametrize("name", CASES)
def test_schedule(name):
    """Characters a second on one core, chunks of 64 Ki."""
    rate = characters_a_second(load_profile("causeway", CASES[name]))
    print(f"\nschedule, {name}: {rate / 1e6:.0f} M characters/s")  # noqa: T201
    assert rate > 0
