"""The simulated boards in real time for a test, behind a TCP port of this machine.

They live in a thread of their own, so that whatever is tested may open the port, send
octets and read sighting lines.
"""

from __future__ import annotations

import signal
from threading import Event, Thread
from typing import TYPE_CHECKING

from bench.base.clock import SystemClock
from bench.link.far.tcp import FarTcp
from bench.pytest_plugin.asked import told
from bench.trial.serve.named import defects_of
from bench.trial.serve.run import Serving
from bench.trial.serve.served import Served, warm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.profile import Profile
    from bench.trial.serve.served import Figures

__all__ = ["ServedNode"]


class ServedNode:
    """Simulated boards that anybody may talk to.

    Attributes:
        where: What others open, as a pyserial URL.
        host: Of it.
        port: Of it.
    """

    def __init__(self, profile: Profile, seed: int, faults: Sequence[str]) -> None:
        """Boards that are reached as soon as this returns.

        Args:
            profile: What they are.
            seed: What their random delays depend on.
            faults: What is wrong with them, as `nightbench serve --fault` takes it.
        """
        with told():
            defects = defects_of(tuple(faults), profile)
            served = Served(profile, defects, seed=seed)
            warm(profile, resets=any("reset" in one for one in faults))
            self._far = FarTcp(0)
        self.where = self._far.where
        address = self.where.removeprefix("socket://")
        self.host, _, port = address.rpartition(":")
        self.port = int(port)
        self._stopped = Event()
        self._figures: Figures | None = None
        self._broke: BaseException | None = None
        self._serving = Serving(served, self._far, SystemClock(), _Nobody())
        self._thread = Thread(target=self._serve, name="served node", daemon=True)
        self._thread.start()

    def stop(self) -> Figures:
        """Serve no longer; what the boards did in all.  A second time says it again."""
        self._stopped.set()
        self._thread.join()
        if self._broke is not None:
            raise self._broke
        assert self._figures is not None
        return self._figures

    def _serve(self) -> None:
        try:
            self._figures = self._serving.run(self._stop)
        except BaseException as error:
            self._broke = error
        finally:
            self._far.close()

    def _stop(self) -> int | None:
        return signal.SIGINT if self._stopped.is_set() else None


class _Nobody:
    """Looks at nothing."""

    def opened(self) -> None: ...
    def closed(self) -> None: ...
    def moved(self, where: str) -> None: ...
    def stands(self, figures: Figures) -> None: ...
