"""Simulated nodes in real time within this process: a served node without a port.

The live link thinks that it is a transport: what it accepts arrives on the virtual wire
of a served node at that instant, and what comes back are sighting lines.  The nodes
live up to now whenever somebody waits, reads or writes; nothing runs beside it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, LinkError
from bench.base.grid import NS_PER_S
from bench.link.transport import Can, Heard, Told
from bench.profile.model import LinesObserve, Observe
from bench.trial.links import SIMULATED, LinkOptions, live_link
from bench.trial.serve.run import SLICE_NS
from bench.trial.serve.served import Served

if TYPE_CHECKING:
    from bench.base.clock import Clock
    from bench.link.live import LiveLink
    from bench.profile.model import Profile

_TELLS = LinesObserve(
    tells=("octets", "clocks", "marginal", "times", "dropped", "lost")
)
"""All that a served node's lines tell."""


class WithinTransport:
    """See the module; a `Transport`."""

    can = Can()
    name = SIMULATED

    def __init__(self, served: Served, clock: Clock) -> None:
        """Open it.

        Args:
            served: The nodes; nobody else serves them.
            clock: Whom to ask for the time.
        """
        self._served = served
        self._clock = clock
        self._closed = False
        self._played_ns = clock.now_ns()
        self._longest_ns = 0
        served.opened()

    def write(self, octets: memoryview) -> int:
        """See `Transport`."""
        self._check()
        accepted = min(len(octets), self._served.room)
        if accepted:
            self._served.arrive(bytes(octets[:accepted]), self._clock.now_ns())
        return accepted

    def read(self) -> Heard | None:
        """See `Transport`."""
        self._check()
        now_ns = self._clock.now_ns()
        if now_ns - self._played_ns >= SLICE_NS:
            self._longest_ns = max(self._longest_ns, now_ns - self._played_ns)
            self._served.play(now_ns)
            self._played_ns = now_ns
        lines = bytes(self._served.queue.due(now_ns))
        self._served.queue.taken(len(lines))
        return Heard(lines, now_ns) if lines else None

    def wait(self, seconds: float, *, room: bool) -> None:
        """See `Transport`; it returns where the nodes have lived through a slice."""
        self._check()
        if room and self._served.room:
            return
        left_ns = self._played_ns + SLICE_NS - self._clock.now_ns()
        self._clock.sleep(min(seconds, max(left_ns, 0) / NS_PER_S))
        if left_ns <= 0:
            self._clock.sleep(min(seconds, _NAP_S))

    def unsent(self) -> None:
        """See `Transport`."""
        self._check()

    def hold_low(self, ns: int) -> int:
        """See `Transport`."""
        raise LinkError(Fault("a served node hears no breaks", f"{ns} ns"))

    def told(self) -> Told:
        """See `Transport`."""
        now_ns = self._clock.now_ns()
        figures: dict[str, Any] = {"kind": "served in this process"}
        figures["longest_slice_ns"] = self._longest_ns
        figures["served"] = self._served.figures(now_ns).as_dict()
        return Told(figures)

    def close(self) -> None:
        """See `Transport`."""
        self._closed = True

    def _check(self) -> None:
        if self._closed:
            raise LinkError(Fault("link closed", self.name))


_NAP_S = 250e-6
"""The nodes have to live first: who waits reads, and they do."""


def seen_whole(profile: Profile) -> Profile:
    """A profile whose nodes tell all by sighting lines."""
    observe = Observe(by="lines", lines=_TELLS)
    nodes = tuple(node.model_copy(update={"observe": observe}) for node in profile.node)
    return profile.model_copy(update={"node": nodes})


def link_within(
    profile: Profile, clock: Clock, options: LinkOptions, *, seed: int = 0
) -> LiveLink:
    """A live link to simulated nodes within this process.

    Raises:
        ProfileError: If the model does not simulate what the profile asks for, or its
            packets are not made of octets alone.
    """
    profile = seen_whole(profile)
    transport = WithinTransport(Served(profile, seed=seed), clock)
    return live_link(transport, profile, clock, options)
