"""What a drive tells: of each mark, of how it stands, and of how it went."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from bench.trial.drive.asked.commands import written

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from bench.profile.model import Profile
    from bench.trial.drive.since import Stretch
    from bench.trial.drive.source import Mark
    from bench.trial.runner import Outcome


@dataclass(frozen=True, slots=True)
class Told:
    """A mark, and how it went.

    Attributes:
        mark: The mark.
        after_ns: From the asking to its being on the line, at most; None: it was
            ordered beforehand, or nothing followed it.
        switched_ns: How long before the packet a modem line was switched, at most;
            None: none was.
    """

    mark: Mark
    after_ns: int | None = None
    switched_ns: int | None = None

    def as_dict(self) -> dict[str, Any]:
        """For a ledger."""
        mark = self.mark
        return {
            "mark": mark.number,
            "at_ns": mark.at_ns,
            "octet": mark.octet,
            "asked": written(mark.order.command),
            "changed": [list(change) for change in mark.order.changed],
            "after_ns": self.after_ns,
            "trigger_octet": mark.trigger,
            "switched_ns": self.switched_ns,
        }


@dataclass(frozen=True, slots=True)
class Standing:
    """How a drive stands.

    Attributes:
        at_ns: Time on the line.
        octets: Characters sent.
        profile: The values that hold by now.
        holding: Whether only idle or fill is sent.
        last: The last mark; None before the first.
        since: What became of the packets since then.
        whole: The same since the beginning.
        counts: What the link counts.
        waiting: Orders that are still to be obeyed.
    """

    at_ns: int
    octets: int
    profile: Profile
    holding: bool
    last: Told | None
    since: Stretch
    whole: Stretch
    counts: Mapping[str, int | None]
    waiting: int


class Looker(Protocol):
    """Who looks on."""

    def begun(self, folder: Path) -> None:
        """The ledger is kept in this folder."""
        ...

    def marked(self, told: Told) -> None:
        """An order was obeyed."""
        ...

    def stands(self, standing: Standing) -> None:
        """Where it stands; about ten times a second."""
        ...

    def relinks(self, told: Told) -> None:
        """The link is taken up anew."""
        ...


@dataclass(frozen=True, slots=True)
class Held:
    """One link, as long as it was held.

    Attributes:
        profile: The values when it was taken up.
        outcome: How its trial ended.
        rested_ns: From the last characters on the link before to the first ones on
            this, by when they were accepted; None where there were none.
    """

    profile: Profile
    outcome: Outcome
    rested_ns: int | None


@dataclass(frozen=True, slots=True)
class Driven:
    """How a drive went.

    Attributes:
        links: Each link that was held.
        marks: Every mark.
        stretches: What became of the packets, mark by mark.
        ended: "asked", "time", "stopped" or "lost".
        trial_ns: Time on the line.
        octets: Characters sent.
    """

    links: tuple[Held, ...]
    marks: tuple[Told, ...]
    stretches: tuple[Stretch, ...]
    ended: str
    trial_ns: int
    octets: int
