"""The host that the bench runs on, and its shell."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from bench.link import host
from bench.trial.soak.asked import Said
from bench.trial.soak.host import Load

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


class ThisHost:
    """See `bench.trial.soak.host.System`."""

    def wall_ns(self) -> int:
        """See `System`."""
        return host.wall_ns()

    def total_ns(self) -> int | None:
        """See `System`."""
        return host.total_ns()

    def load(self) -> Load:
        """See `System`."""
        busy_ns, had_ns = host.processor_ns()
        return Load(busy_ns, had_ns, host.memory_free_share(), host.swapped_octets())

    def free_octets(self, folder: Path) -> int | None:
        """See `System`."""
        return host.free_octets(folder)


class Shell:
    """See `bench.trial.soak.asked.Commands`."""

    def __init__(self) -> None:
        self._thread: threading.Thread | None = None
        self._said: Said | None = None

    def run(self, command: str, seconds: float, stop: Callable[[], int | None]) -> Said:
        """See `Commands`."""
        return Said(*host.run_command(command, seconds, stop))

    def begin(self, command: str, seconds: float) -> None:
        """See `Commands`."""
        if self._thread is not None:
            return

        def body() -> None:
            self._said = self.run(command, seconds, lambda: None)

        self._thread = threading.Thread(target=body, name="reading", daemon=True)
        self._thread.start()

    def ended(self) -> Said | None:
        """See `Commands`."""
        if self._thread is None or self._thread.is_alive():
            return None
        said, self._thread, self._said = self._said, None, None
        return said
