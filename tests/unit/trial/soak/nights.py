"""Nights in seconds: a clock that jumps, a host to which things happen, a link."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

import bench
from bench.api_soak import soak
from bench.base.clock import JumpClock
from bench.base.columns import DROPPED, LOST, SHOWN, Seen, no_rows
from bench.base.errors import Fault, LinkError
from bench.base.grid import NS_PER_S
from bench.ledger import read_run
from bench.link.cut_off import CutOffError
from bench.link.evidence import NO_EVIDENCE, Evidence
from bench.link.observes import EVERYTHING
from bench.trial.soak.asked import Said
from bench.trial.soak.host import Load

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bench.ledger import StoredRun

S = NS_PER_S
START_NS = 1_794_000_000 * S
"""The wall clock of a night's beginning."""

SMALL = (
    "bus.baud=1 Mbaud",
    "output.devices=1",
    "output.register_bits=16",
    "traffic.frame_rate=10 Hz",
    "accept.skew=1 s",
)
"""Short packets on a slow line."""


class World:
    """A host, and what happens to it at instants of its clock.

    Attributes:
        clock: The bench's clock.
        asleep_ns: For how long it slept so far.
        set_ns: By how much its wall clock was set so far.
        free: Room on its disk.
        away: Why the link cannot be had; "" where it can.
        dead: Whether nothing of what is sent reaches the nodes.
        lose: Packets that nodes are still to lose.
        mute: Index of a node that shows nothing; -1: none.
        dry: How often the link's queue ran dry so far.
        links: Links that were made.
        ran: Commands that were run.
    """

    def __init__(self, *, boot_clock: bool = True) -> None:
        self.clock = JumpClock(7 * S)
        self.asleep_ns = self.set_ns = 0
        self.free = 1 << 40
        self.away = ""
        self.dead = False
        self.dry = self.lose = 0
        self.mute = -1
        self.signal: int | None = None
        self.pausing = False
        self.links = 0
        self.ran: list[str] = []
        self.said = Said(0, "temperature=21.5 supply=4.98 state=dry")
        self._boot = boot_clock
        self._script: list[tuple[int, Callable[[], None]]] = []
        self._reading: Said | None = None

    def at(self, seconds: float, happens: Callable[[], None]) -> None:
        """Let something happen so long after the beginning."""
        self._script.append((7 * S + round(seconds * S), happens))
        self._script.sort(key=lambda one: one[0])

    def play(self) -> None:
        """Let happen what is due."""
        while self._script and self._script[0][0] <= self.clock.now_ns():
            self._script.pop(0)[1]()

    def takes_one(self) -> bool:
        """Whether a packet is lost on its way."""
        if self.lose:
            self.lose -= 1
            return True
        return self.dead

    # --- what a host is asked ---------------------------------------------------------

    def wall_ns(self) -> int:
        """See `System`."""
        return START_NS + self.clock.now_ns() + self.asleep_ns + self.set_ns

    def total_ns(self) -> int | None:
        """See `System`."""
        return self.clock.now_ns() + self.asleep_ns if self._boot else None

    def load(self) -> Load:
        """See `System`."""
        now_ns = self.clock.now_ns()
        return Load(now_ns // 4, now_ns, 0.5, 0)

    def free_octets(self, folder: Path) -> int | None:  # noqa: ARG002
        """See `System`."""
        return self.free

    def run(self, command: str, seconds: float, stop: Any) -> Said:  # noqa: ARG002
        """See `Commands`."""
        self.ran.append(command)
        self.clock.advance(2 * S)
        return self.said

    def begin(self, command: str, seconds: float) -> None:  # noqa: ARG002
        """See `Commands`."""
        self.ran.append(command)
        self._reading = self.said

    def ended(self) -> Said | None:
        """See `Commands`."""
        said, self._reading = self._reading, None
        return said

    # --- what the bench asks ----------------------------------------------------------

    def stop(self) -> int | None:
        """The signal that came."""
        self.play()
        return self.signal

    def paused(self) -> bool:
        """Whether a pause is asked for."""
        return self.pausing


LATENCY_NS = 2_000_000
"""From a packet's last bit to its being shown."""


class Mirrors:
    """Nodes that show every packet a little later, and are nothing else."""

    def __init__(self, world: World, profile: Any) -> None:
        self._world = world
        self._clocks = profile.node[0].output.burst_clocks
        self._waiting: list[tuple[int, int, bytes]] = []

    def carry(self, line: Any, sent: Any) -> Any:
        """What was shown by the end of a chunk."""
        for row in () if sent is None else sent.rows:
            to = int(row["to"])
            if to >= 0 and to != self._world.mute and not self._world.takes_one():
                at, size = int(row["payload_at"]), int(row["payload_octets"])
                data = sent.payload[at : at + size].tobytes()
                self._waiting.append((int(row["last_bit_ns"]), to, data))
        ready = [one for one in self._waiting if one[0] + LATENCY_NS < line.until_ns]
        self._waiting = self._waiting[len(ready) :]
        rows, at = no_rows(SHOWN), 0
        if ready:
            rows = np.zeros(len(ready), SHOWN)
        for row, (ns, node, data) in zip(rows, ready, strict=True):
            row["burst_ns"] = row["first_bit_ns"] = ns + LATENCY_NS // 2
            row["end_ns"] = ns + LATENCY_NS * 3 // 4
            row["shown_ns"], row["node"] = ns + LATENCY_NS, node
            row["clocks"], row["data_at"] = self._clocks, at
            row["data_octets"] = len(data)
            at += len(data)
        octets = np.frombuffer(b"".join(one[2] for one in ready), np.uint8).copy()
        return Seen(rows, octets, no_rows(DROPPED), no_rows(LOST), line.until_ns)


class Live:
    """Such nodes in the time of a world's clock."""

    name = "far end"
    most_octets = 1 << 13

    def __init__(self, world: World, profile: Any) -> None:
        if world.away:
            raise LinkError(Fault(world.away, self.name))
        world.links += 1
        self._world = world
        self._nodes = Mirrors(world, profile)
        self._zero_ns: int | None = None
        self.observes = EVERYTHING
        self.closed = False

    @property
    def counts(self) -> dict[str, int | None]:
        """See `Counting`."""
        return {"accepted": 0, "queue_dry": self._world.dry, "queue_dry_ns": 0}

    def carry(self, line: Any, sent: Any = None) -> Any:
        """See `Link`."""
        world = self._world
        if self._zero_ns is None:
            self._zero_ns = world.clock.now_ns()
        world.clock.advance(self._zero_ns + line.until_ns - world.clock.now_ns())
        world.play()
        if world.away:
            raise CutOffError(Fault(world.away, self.name), 0, None)
        return self._nodes.carry(line, sent)

    def evidence(self) -> Evidence:
        """See `Link`."""
        if not self._world.dry:
            return NO_EVIDENCE
        text = (f"the queue of the link ran dry: {self._world.dry} times",)
        return Evidence({}, (), text, (), text)

    def close(self) -> None:
        """See `Link`."""
        self.closed = True

    def __enter__(self) -> Live:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def profile_of(*overrides: str) -> Any:
    """A profile of short packets."""
    return bench.load_profile("causeway", [*SMALL, *overrides])


def night(
    logs: Path, world: World, *, live: bool = True, profile: Any = None, **more: Any
) -> tuple[Any, StoredRun]:
    """A night over a world's link; its result and its ledger."""
    profile = profile or profile_of()
    given: dict[str, Any] = {"seed": 1, "interval": "10s", **more}

    def make() -> Any:
        return Live(world, profile)

    result = soak(
        profile,
        logs=logs,
        make_link=make if live else None,
        link_name="loop" if live else None,
        stop=world.stop,
        paused=world.paused,
        clock=world.clock,
        system=world,
        commands=world,
        **given,
    )
    return result, read_run(result.run)


def intervals(stored: StoredRun) -> list[dict[str, Any]]:
    """The intervals of a ledger."""
    return [one for one in stored.intervals.records if "event" not in one]


def events(stored: StoredRun, *names: str) -> list[dict[str, Any]]:
    """Its events of some kinds; but for the routine, all unless said."""
    routine = ("stretch began", "stretch ended")
    records = [one for one in stored.intervals.records if "event" in one]
    return [
        one
        for one in records
        if (one["event"] in names if names else one["event"] not in routine)
    ]
