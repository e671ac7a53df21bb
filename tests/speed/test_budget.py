"""How long a budget takes, as a whole process and by itself.

Run with `-m speed -s`.  A process needs its modules compiled once: the first is not
counted.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from time import perf_counter

import pytest

import bench
from bench.budget import budget, solve
from bench.profile import load_profile

ROOT = Path(bench.__file__).parents[1]
WANTED_S = 0.3


def seconds(words: list[str], cache: Path) -> float:
    """The least of some processes."""
    changed = {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": str(cache)}
    environment = os.environ | changed
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    took = []
    for _ in range(8):
        start = perf_counter()
        subprocess.run(
            [sys.executable, "-m", "bench", *words],
            env=environment,
            stdout=subprocess.DEVNULL,
            check=True,
        )
        took.append(perf_counter() - start)
    return min(took[1:])


@pytest.mark.speed
@pytest.mark.parametrize("name", ["causeway", "jetty", "slipway"])
def test_a_whole_process(name, tmp_path):
    """`nightbench budget PROFILE`, from the command to its last line."""
    found = seconds(["budget", name], tmp_path)
    print(f"\nbudget {name}: {found:.3f} s, wanted {WANTED_S} s")  # noqa: T201
    assert found > 0


@pytest.mark.speed
def test_by_itself():
    """One budget, and one limiting value."""
    profile = load_profile("causeway")
    start = perf_counter()
    for _ in range(20):
        budget(profile)
    one = (perf_counter() - start) / 20
    start = perf_counter()
    solve(lambda more: load_profile("causeway", more), "output.clock")
    solved = perf_counter() - start
    print(  # noqa: T201
        f"\none budget {1000 * one:.1f} ms; solved for output.clock in {solved:.2f} s"
    )
    assert one > 0
