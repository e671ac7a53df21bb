"""How fast sweeps and searches are, from the call to the result.

Run with `-m speed -s`.  Sweeps are run as ever, ledger, tables and workers included.
"""

from __future__ import annotations

import os
from time import perf_counter
from typing import TYPE_CHECKING

import pytest

import bench

if TYPE_CHECKING:
    from pathlib import Path

SHORT = {
    "clock x foreign": ("output.clock=250 kHz .. 1 MHz, 40", "foreign=0 .. 20 %, 25"),
    # A character is no whole number of nanoseconds at most of these, and half as many
    # again come in a second.
    "baud x foreign": ("bus.baud=4 Mbaud .. 8 Mbaud, 41", "foreign=0 .. 20 %, 25"),
}
"""About a thousand points."""

LONG = ("bus.baud=4 Mbaud .. 6 Mbaud, 12", "foreign=0 .. 15 %, 10")


def spent(logs: Path, over: tuple[str, ...], duration: str, jobs: int) -> float:
    """Seconds that a sweep takes."""
    start = perf_counter()
    result = bench.sweep(
        "causeway", over, duration=duration, jobs=jobs, seed=1, logs=logs
    )
    assert result.figures["states"]["worker died"] == 0
    return perf_counter() - start


@pytest.mark.speed
@pytest.mark.parametrize("name", SHORT)
def test_a_thousand_points(name: str, tmp_path: Path) -> None:
    """One second of bus time each."""
    jobs = os.cpu_count() or 1
    seconds = min(spent(tmp_path, SHORT[name], "1s", jobs) for _ in range(2))
    print(  # noqa: T201
        f"\nsweep, {name}, 1,000 points of 1 s: {seconds:.2f} s on {jobs} cores, "
        f"{1000 / seconds:.0f} points/s"
    )
    assert seconds > 0


@pytest.mark.speed
def test_scaling(tmp_path: Path) -> None:
    """From one core to two, on some thirty seconds of work."""
    one, two = (spent(tmp_path, LONG, "40s", jobs) for jobs in (1, 2))
    print(  # noqa: T201
        f"\nsweep, 120 points of 40 s: {one:.1f} s on one core, {two:.1f} s on two, "
        f"{one / two:.2f} x"
    )
    assert two > 0


EDGES = {
    "causeway, clock": ("causeway", "output.clock", "250 kHz", "2 MHz"),
    "causeway, baud": ("causeway", "bus.baud", "4 Mbaud", "12 Mbaud"),
    "jetty, rearrange": ("jetty", "processor.rearrange.per_octet", "600 ns", "60 us"),
    "slipway, clock": ("slipway", "output.clock", "4 MHz", "900 kHz"),
    "causeway, window": ("causeway", "bus.baud_offset", "-8 %", "8 %"),
}


@pytest.mark.speed
@pytest.mark.parametrize("name", EDGES)
def test_edge(name: str, tmp_path: Path) -> None:
    """To one percent, a deciding minute included."""
    start = perf_counter()
    result = bench.edge(*EDGES[name], seed=1, logs=tmp_path)
    seconds = perf_counter() - start
    print(f"\nedge, {name}: {seconds:.2f} s, {result.reason}")  # noqa: T201
    assert result.verdict == "PASS"
