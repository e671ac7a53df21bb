"""Who makes sightings of what a live link hears: sans-IO.

A live link hands in what it put on the bus and what it heard, each with its instant of
the trial; the sighter hands out `Seen` columns and evidence.  It asks nobody for the
time, and what it gives does not depend on how the octets were cut into reads.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from bench.base.columns import Line, Seen, Sent
    from bench.link.evidence import Evidence
    from bench.link.observes import Observes
    from bench.link.transport import Heard


class Sighter(Protocol):
    """Makes sightings."""

    @property
    def observes(self) -> Observes:
        """Which parts of `Seen` it fills."""
        ...

    def sent(self, line: Line, sent: Sent) -> None:
        """A chunk is about to be put on the bus.

        Args:
            line: Its characters; times are those of the trial's plan, which the live
                link moves along with the schedule after a stall.
            sent: The packets that end in it.
        """
        ...

    def heard(self, heard: Heard, at_ns: int) -> None:
        """Octets came back.

        Args:
            heard: The octets.
            at_ns: When the read returned, in ns of the trial.
        """
        ...

    def seen(self, until_ns: int) -> Seen:
        """What is known since the last call.

        Args:
            until_ns: Nothing that was heard before this instant of the trial is still
                to be handed in.
        """
        ...

    def evidence(self) -> Evidence:
        """What it found out about nodes and bench beside the columns."""
        ...


@runtime_checkable
class TellsOwnTime(Protocol):
    """A sighter that hears of instants on a clock of somebody else.

    That clock begins with the first character that came there, and goes on while the
    plan stands still; a live link tells what is needed to put one on the other.
    """

    def anew(self, at_ns: int) -> None:
        """The far clock begins, at an instant of the trial: so does a new far end."""
        ...

    def moved(self, ns: int, at_ns: int) -> None:
        """The plan stood still for so long, at an instant of the trial.

        Args:
            ns: How long; below zero where it made up for standing still.
            at_ns: That instant, the same before and after.
        """
        ...
