"""What becomes of the host in a night: it sleeps, its clock is set, it has no time.

Two clocks are kept apart: one that stands still while the host is asleep, by which
everything is timed, and one that does not.  Where they part, the host was asleep.  The
wall clock is a label and nothing else; where it parts from them, somebody set it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from bench.base.units import format_ns

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bench.base.clock import Clock

ASLEEP_NS = 200_000_000
"""Clocks that part by less are read one after another on a busy host."""

STEP_NS = 100_000_000
"""A wall clock that is kept by time servers moves by less between two looks."""

HELD_UP_NS = 5_000_000_000
"""Nobody looked for so long: the process was stopped, or starved."""


@dataclass(frozen=True, slots=True)
class Load:
    """What the host is busy with; None for what it does not tell.

    Attributes:
        busy_ns: Time that its processors have worked, in all.
        processor_ns: Time that they have had, in all.
        memory_free_share: Of its memory, what programs could still have.
        swapped_octets: Moved to or from a swap device, in all.
    """

    busy_ns: int | None = None
    processor_ns: int | None = None
    memory_free_share: float | None = None
    swapped_octets: int | None = None


class System(Protocol):
    """What is asked of a host."""

    def wall_ns(self) -> int:
        """UTC, ns since 1970: a label."""
        ...

    def total_ns(self) -> int | None:
        """A clock that goes on while the host is asleep; None: there is none."""
        ...

    def load(self) -> Load:
        """What it is busy with."""
        ...

    def free_octets(self, folder: Path) -> int | None:
        """Room on the disk of a folder; None: not known."""
        ...


@dataclass(frozen=True, slots=True)
class Times:
    """An instant by all clocks.

    Attributes:
        awake_ns: By the bench's clock.
        total_ns: By one that goes on while the host is asleep.
        wall_ns: UTC.
    """

    awake_ns: int
    total_ns: int | None
    wall_ns: int


@dataclass(frozen=True, slots=True)
class Happened:
    """Something that happened to the host.

    Attributes:
        event: What, in two words.
        lasted_ns: How long; of a clock that was set, by how much.
        text: The sentence.
        spoils: Whether what was on its way meanwhile says nothing of nodes.
    """

    event: str
    lasted_ns: int
    text: str
    spoils: bool


class Host:
    """Looks at the clocks, as often as somebody asks."""

    def __init__(
        self,
        clock: Clock,
        system: System,
        happened: Callable[[Happened], None],
        *,
        hurried: bool = True,
    ) -> None:
        """Nothing begun.

        Args:
            clock: The bench's clock.
            system: The host.
            happened: Told what happens.
            hurried: Whether it matters that somebody looks often.
        """
        self._clock = clock
        self._system = system
        self._happened = happened
        self._hurried = hurried
        self.begin()

    def begin(self) -> None:
        """The night begins."""
        self.began = self._last = self.now()
        self._load = self._system.load()

    def now(self) -> Times:
        """By all clocks."""
        system = self._system
        return Times(self._clock.now_ns(), system.total_ns(), system.wall_ns())

    def since_ns(self) -> tuple[int, int | None]:
        """How long it is since the beginning: awake, and in all."""
        now, began = self.now(), self.began
        total_ns = None
        if now.total_ns is not None and began.total_ns is not None:
            total_ns = now.total_ns - began.total_ns
        return now.awake_ns - began.awake_ns, total_ns

    def look(self) -> None:
        """Look at the clocks, and tell what happened since the last look."""
        now, last = self.now(), self._last
        self._last = now
        awake_ns = now.awake_ns - last.awake_ns
        wall_ns = now.wall_ns - last.wall_ns
        passed_ns, asleep_ns = awake_ns, 0
        if now.total_ns is not None and last.total_ns is not None:
            passed_ns = now.total_ns - last.total_ns
            asleep_ns = passed_ns - awake_ns
        if asleep_ns > ASLEEP_NS:
            text = f"the host was asleep for {format_ns(asleep_ns, 3)}"
            self._happened(Happened("host asleep", asleep_ns, text, spoils=True))
        elif awake_ns > HELD_UP_NS and self._hurried:
            text = f"the bench was held up for {format_ns(awake_ns, 3)}"
            self._happened(Happened("held up", awake_ns, text, spoils=False))
        step_ns = wall_ns - passed_ns
        if abs(step_ns) > STEP_NS:
            self._stepped(step_ns, known=now.total_ns is not None)

    def _stepped(self, step_ns: int, *, known: bool) -> None:
        """The wall clock parted from the others."""
        way = "forward" if step_ns > 0 else "back"
        text = f"the wall clock was set {way} by {format_ns(abs(step_ns))}"
        if not known and step_ns > 0:
            text += ", or the host was asleep: nothing here tells them apart"
        spoils = not known and step_ns > 0
        self._happened(Happened("clock stepped", step_ns, text, spoils))

    def load(self) -> dict[str, Any]:
        """What the host was busy with since the last call."""
        now, last = self._system.load(), self._load
        self._load = now
        share = swapped = None
        busy_ns = _less(now.busy_ns, last.busy_ns)
        had_ns = _less(now.processor_ns, last.processor_ns)
        if busy_ns is not None and had_ns:
            share = round(min(1.0, busy_ns / had_ns), 4)
        swapped = _less(now.swapped_octets, last.swapped_octets)
        free = now.memory_free_share
        return {
            "processor_share": share,
            "memory_free_share": None if free is None else round(free, 4),
            "swapped_octets": swapped,
        }


def _less(now: int | None, last: int | None) -> int | None:
    """How much a count grew; None where it is not known."""
    return None if now is None or last is None else max(0, now - last)
