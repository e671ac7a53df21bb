"""How fast a night is, how large its ledger, how much memory, what a record costs.

Run with `-m speed -s`.  The figures are for causeway on the simulated nodes; a real
night takes as long as it is, and only its records cost anything.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from time import perf_counter
from typing import Any

import pytest

import bench
from bench.api_soak import soak
from bench.judge.judge import Judge
from bench.ledger import Ledger, read_run
from bench.link.observes import EVERYTHING
from bench.node.link import SimulatedLink
from bench.traffic.schedule import Schedule

CODE = """
import json, sys
import psutil
import bench

class Scale:
    def __init__(self):
        self.process, self.seen = psutil.Process(), []
    def begun(self, folder):
        pass
    def progress(self, progress):
        pass
    def show(self, told):
        self.seen.append((told["trial_ns"], self.process.memory_info().rss))

scale = Scale()
profile = bench.load_profile("causeway")
result = bench.soak(
    profile, duration=sys.argv[2], seed=1, logs=sys.argv[1], watcher=scale
)
print(json.dumps([str(result.run), result.verdict, scale.seen]))
"""


@pytest.mark.speed
def test_night(tmp_path: Path) -> None:
    """Eight hours: how long it takes, its ledger, its memory, how fast it is read."""
    soak(bench.load_profile("causeway"), duration="2s", logs=tmp_path)
    start = perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(tmp_path), "8h"],
        capture_output=True,
        text=True,
        check=True,
    )
    spent = perf_counter() - start
    folder, verdict, seen = json.loads(done.stdout)
    hour = 3600 * 10**9
    early = [rss for ns, rss in seen if 0.1 * hour < ns < 0.5 * hour]
    late = [rss for ns, rss in seen if ns > 7 * hour]
    octets = sum(path.stat().st_size for path in Path(folder).iterdir())
    start = perf_counter()
    stored = read_run(Path(folder))
    read = perf_counter() - start
    rows = [one for one in stored.intervals.records if "event" not in one]
    print(  # noqa: T201
        f"\neight hours of causeway: {spent:.1f} s, {verdict}, {len(rows)} intervals; "
        f"ledger {octets / 1e6:.2f} MB, read in {read:.2f} s; resident "
        f"{early[0] / 1e6:.0f} MB, {(max(late) - min(early)) / 1e6:+.1f} MB by the end"
    )
    assert rows[-1]["to_ns"] > 7.99 * hour
    assert sum(one["packets"]["offered"] for one in rows) == 8 * 3600 * 80


@pytest.mark.speed
def test_record(tmp_path: Path) -> None:
    """What ending, telling, writing and syncing an interval costs, of its 10 s."""
    profile = bench.load_profile("causeway")
    result = soak(profile, duration="30s", seed=1, logs=tmp_path)
    told = read_run(result.run).intervals.records[1]
    judge = Judge(profile, EVERYTHING, details=True)
    schedule = Schedule(profile, seed=1, duration_ns=10 * 10**9)
    with SimulatedLink(profile, seed=1) as link:
        while (chunk := schedule.take(1 << 19)) is not None:
            judge.take(*chunk, link.carry(*chunk))
    facts: dict[str, Any] = {"seed": 1, "point": {}, "rig": {}, "dut": {}}
    with Ledger.create(tmp_path, "20261125T024440Z", "soak", facts, "") as ledger:
        start = perf_counter()
        judge.cut()
        judge.settled(1)
        ledger.interval(told)
        ledger.sync()
        spent = perf_counter() - start
    print(f"\none record: {1e3 * spent:.2f} ms, {spent / 10:.3%} of 10 s")  # noqa: T201
    assert spent > 0
