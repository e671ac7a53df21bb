"""What a soak is asked to do."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.link.link import Link
    from bench.profile.model import Profile
    from bench.trial.soak.changes import Change
    from bench.trial.soak.wanted import Wanted

VALID_SHARE = 0.9
"""Of the intervals, what must be valid for a pass: a host that is busy for one minute
in ten is no rig to accept a board with."""


class Commands(Protocol):
    """Runs commands of the user."""

    def run(self, command: str, seconds: float, stop: Callable[[], int | None]) -> Said:
        """Run one to its end, at most so long, and no longer than until told to stop.

        Args:
            command: As a shell takes it.
            seconds: It is ended then.
            stop: Asked often.
        """
        ...

    def begin(self, command: str, seconds: float) -> None:
        """Begin one, and do not wait for it; nothing if the last one is still on."""
        ...

    def ended(self) -> Said | None:
        """What the one that was begun said, once it has ended; told once."""
        ...


@dataclass(frozen=True, slots=True)
class Said:
    """How a command ended.

    Attributes:
        code: Its exit code; None: it took too long, or could not be run.
        text: What it wrote, or why it could not be run.
    """

    code: int | None
    text: str


@dataclass(frozen=True, slots=True)
class Request:
    """A night.

    Attributes:
        profile: The profile that holds at first.
        seed: What every draw depends on.
        interval_ns: Time on the line that one record covers.
        duration_ns: How long: on simulated nodes time on the line, else time on the
            clock, the host's sleep included; None: until something else ends it.
        packets: It ends after so many.
        losses: Likewise, once so many are lost.
        wanted: Likewise, once the loss is bounded so low.
        changes: What is to happen, in order.
        profiles: The profile after each change; as before where it sets nothing.
        reading: A command that is run every minute.
        valid_share: Of the intervals, for a pass.
    """

    profile: Profile
    seed: int
    interval_ns: int
    duration_ns: int | None = None
    packets: int | None = None
    losses: int | None = None
    wanted: Wanted | None = None
    changes: Sequence[Change] = ()
    profiles: Sequence[Profile] = ()
    reading: str | None = None
    valid_share: float = VALID_SHARE


@dataclass(slots=True)
class Before:
    """What is there of a night that was broken off.

    Attributes:
        stretch: Number of the next stretch.
        number: Of the next interval.
        base_ns: Time on the line so far.
        awake_ns: Time awake so far.
        total_ns: The same with the host's sleep.
        at: When the last record was written, a label.
        missing_ns: Time on the line that no record covers.
        under_way: Whether it was broken off within a stretch.
        events: What happened.
        first: Of each kind of anomaly the first one.
    """

    stretch: int = 0
    number: int = 0
    base_ns: int = 0
    awake_ns: int = 0
    total_ns: int = 0
    at: str | None = None
    missing_ns: int = 0
    under_way: bool = False
    events: list[dict[str, Any]] = field(default_factory=list)
    first: dict[str, dict[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Ways:
    """How nodes are reached.

    Attributes:
        make_link: A link, each time it is called, for the profile and the seed of a
            stretch.
        live: Whether traffic passes in real time.
        away_ns: How long a lost link is waited for; None: as long as the night lasts.
    """

    make_link: Callable[[Profile, int], Link]
    live: bool = False
    away_ns: int | None = None
