"""A trial's memory does not grow with its length."""

from __future__ import annotations

import json
import subprocess
import sys

CODE = """
import json, sys, gc
import psutil
import bench

class Scale:
    def __init__(self):
        self.process, self.seen = psutil.Process(), []
    def begun(self, folder):
        pass
    def progress(self, progress):
        self.seen.append((progress.characters, self.process.memory_info().rss))

class Hasty:
    # By this clock every chunk is worth telling of.
    def __init__(self):
        self.ns = 0
    def now_ns(self):
        self.ns += 10**9
        return self.ns
    def sleep(self, seconds):
        pass

scale = Scale()
profile = bench.load_profile("causeway", sys.argv[2:])
bench.stream(
    profile, duration="260s", seed=1, logs=sys.argv[1], watcher=scale, clock=Hasty()
)
print(json.dumps(scale.seen))
"""

MOST_GROWTH = 5_000_000
"""Octets of resident memory between 10 and 100 million characters."""


def growth(logs, *overrides: str) -> int:
    """How much more memory is resident after 100 million characters than after 10."""
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(logs), *overrides],
        capture_output=True,
        text=True,
        check=True,
    )
    seen = json.loads(done.stdout)
    early = [rss for characters, rss in seen if 9e6 <= characters < 11e6]
    late = [rss for characters, rss in seen if characters >= 100e6]
    assert early, "no look at the memory near ten million characters"
    assert late, "no look at the memory beyond a hundred million characters"
    return max(late) - min(early)


def test_memory_is_flat(tmp_path):
    """Resident after 10 and after 100 million characters: within 5 MB."""
    assert growth(tmp_path) <= MOST_GROWTH


def test_memory_is_flat_when_everything_fails(tmp_path):
    """Likewise where every burst is wrong, and thousands of anomalies are found."""
    assert growth(tmp_path, "output.clock=2 MHz") <= MOST_GROWTH
