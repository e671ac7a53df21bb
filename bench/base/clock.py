"""The clock is handed in.

Nothing below the face asks the system for the time.  `SystemClock` starts at a random
offset, so that code which compares it with a time from elsewhere gives absurd numbers
at once instead of plausible ones.  `JumpClock` moves only when somebody waits on it, to
exactly the instant waited for: a night of soak logic runs in seconds.
"""

from __future__ import annotations

import secrets
import time
from typing import Protocol

from bench.base.grid import NS_PER_S


class Clock(Protocol):
    """A monotonic clock that can be waited on."""

    def now_ns(self) -> int:
        """Nanoseconds since an instant that means nothing."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait at least so long; returns at once for zero or less."""
        ...


class SystemClock:
    """The system's monotonic clock, moved by a random offset."""

    def __init__(self) -> None:
        self._offset = secrets.randbelow(2**50)

    def now_ns(self) -> int:
        """See `Clock`."""
        return time.monotonic_ns() + self._offset

    def sleep(self, seconds: float) -> None:
        """See `Clock`."""
        if seconds > 0:
            time.sleep(seconds)


class JumpClock:
    """A clock for tests and for simulated time: waiting is instant and exact."""

    def __init__(self, start_ns: int = 0) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        """See `Clock`."""
        return self._now_ns

    def sleep(self, seconds: float) -> None:
        """See `Clock`."""
        self.advance(round(seconds * NS_PER_S))

    def advance(self, ns: int) -> None:
        """Let `ns` nanoseconds pass; a clock does not go backwards."""
        self._now_ns += max(0, ns)
