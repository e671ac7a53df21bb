"""The loop of a served node: what arrives goes in, what was sighted goes out.

It waits for octets no longer than a slice, stamps what came as soon as it is there, and
lets the nodes live up to the end of each slice.  It never waits for the far end to take
anything.  A process that was held up lives through a longer slice afterwards: octets
that came meanwhile are stamped late, so how long the longest slice was is told.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from bench.base.grid import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.clock import Clock
    from bench.trial.serve.served import Figures, Served

SLICE_NS = 5_000_000
"""What the nodes live through at once: sightings come so much late at most."""

TOLD_NS = 200_000_000
"""Onlookers are told this often."""


class Far(Protocol):
    """The far side of a link, which anybody may open, one after another."""

    @property
    def where(self) -> str:
        """What others open."""
        ...

    @property
    def open(self) -> bool:
        """Whether somebody is there, or octets of somebody who was are still unread."""
        ...

    @property
    def openings(self) -> int:
        """How often somebody came so far."""
        ...

    def wait(self, seconds: float, *, hear: bool, tell: bool) -> None:
        """Until there is something to read or somebody new, or time has passed.

        Args:
            seconds: At most so long.
            hear: Whether octets that arrive end the wait.
            tell: Whether room to write ends it.
        """
        ...

    def read(self, most: int) -> bytes:
        """At most so many octets of those that have arrived; b"" if there are none."""
        ...

    def write(self, octets: bytes) -> int:
        """Hand over octets, at once; how many were taken."""
        ...


class Onlooker(Protocol):
    """Who looks on."""

    def opened(self) -> None:
        """Somebody has opened the far end."""
        ...

    def closed(self) -> None:
        """It was closed."""
        ...

    def moved(self, where: str) -> None:
        """The far end is to be opened by another name from now on."""
        ...

    def stands(self, figures: Figures) -> None:
        """Where it stands; now and then."""
        ...


class Serving:
    """One served node on one far side.

    Attributes:
        longest_ns: The longest slice so far.
    """

    def __init__(
        self, served: Served, far: Far, clock: Clock, onlooker: Onlooker
    ) -> None:
        """Ready to begin.

        Args:
            served: The nodes.
            far: Where octets come from and sighting lines go.
            clock: Of everything.
            onlooker: Who looks on.
        """
        self._served = served
        self._far = far
        self._clock = clock
        self._onlooker = onlooker
        self._there = False
        self._openings = 0
        self._where = far.where
        self._played_ns = self._told_ns = clock.now_ns()
        self.longest_ns = 0

    def run(self, stop: Callable[[], int | None], for_ns: int | None = None) -> Figures:
        """Serve until told to stop; where it stood then.

        Args:
            stop: Asked in every slice; anything but None ends it.
            for_ns: Ends it after so long.

        Raises:
            LinkError: If the far side breaks.
        """
        began_ns = self._clock.now_ns()
        while stop() is None:
            now_ns = self._clock.now_ns()
            if for_ns is not None and now_ns - began_ns >= for_ns:
                break
            if now_ns - self._played_ns >= SLICE_NS:
                self._live(now_ns)
            self._step(now_ns)
        end_ns = self._clock.now_ns()
        self._served.play(end_ns)
        return self._served.figures(end_ns)

    def _live(self, now_ns: int) -> None:
        """The nodes live up to now."""
        self._served.play(now_ns)
        self.longest_ns = max(self.longest_ns, now_ns - self._played_ns)
        self._played_ns = now_ns
        if now_ns - self._told_ns >= TOLD_NS:
            self._told_ns = now_ns
            self._onlooker.stands(self._served.figures(now_ns))

    def _step(self, now_ns: int) -> None:
        """Tell what is due, wait for octets within the slice, take them in."""
        served, far = self._served, self._far
        due = served.queue.due(now_ns)
        if due and far.open:
            served.queue.taken(far.write(bytes(due)))
        room = served.room
        left_ns = max(0, self._played_ns + SLICE_NS - self._clock.now_ns())
        far.wait(left_ns / NS_PER_S, hear=room > 0, tell=bool(due) and far.open)
        self._meet()
        if room and (octets := far.read(room)):
            served.arrive(octets, self._clock.now_ns())

    def _meet(self) -> None:
        """Notice who went and who came."""
        far = self._far
        if self._there and not (far.open and far.openings == self._openings):
            self._there = False
            self._served.closed()
            self._onlooker.closed()
        if far.where != self._where:
            self._where = far.where
            self._onlooker.moved(far.where)
        if far.open and not self._there:
            self._there = True
            self._openings = far.openings
            self._served.opened()
            self._onlooker.opened()
