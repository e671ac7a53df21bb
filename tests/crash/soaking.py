"""A soak that tells how far it is with every chunk, to be killed: `soaking.py LOGS`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import bench

if TYPE_CHECKING:
    from pathlib import Path


class Hasty:
    """A clock by which every chunk is worth telling of."""

    def __init__(self) -> None:
        self.ns = 0

    def now_ns(self) -> int:
        """See `Clock`."""
        self.ns += 10**8
        return self.ns

    def sleep(self, seconds: float) -> None:
        """See `Clock`."""


class Telling:
    """Writes time on the line, a line each."""

    def begun(self, folder: Path) -> None:
        """See `Watcher`."""

    def progress(self, progress: Any) -> None:
        """See `Watcher`."""

    def show(self, told: Any) -> None:
        """How far it is."""
        sys.stdout.write(f"{told['trial_ns']}\n")
        sys.stdout.flush()


def main(logs: str) -> None:
    """Soak until killed."""
    profile = bench.load_profile("causeway")
    clock, watcher = Hasty(), Telling()
    bench.soak(profile, logs=logs, seed=1, clock=clock, watcher=watcher)


if __name__ == "__main__":
    main(*sys.argv[1:])
