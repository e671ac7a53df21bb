"""What every way to reach nodes has in common.

A link takes chunks of the line and gives back what was seen of the nodes.  It says what
it can observe; what it cannot is "not observable" all the way to the verdict.  One
suite of tests, `tests/links/contract.py`, is passed by every link.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from types import TracebackType

    from bench.base.columns import Line, Seen, Sent
    from bench.link.evidence import Evidence
    from bench.link.observes import Observes


class Link(Protocol):
    """A way to put characters on a bus and to see what nodes make of them."""

    @property
    def name(self) -> str:
        """What it is, for the ledger: "simulated" for instance."""
        ...

    @property
    def observes(self) -> Observes:
        """Which parts of `Seen` it fills."""
        ...

    @property
    def most_octets(self) -> int | None:
        """Characters that it carries at once at most; None: as many as anybody likes.

        A live link's chunks are short, since a request to stop waits for one.
        """
        ...

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:
        """Put a chunk on the bus; what was seen up to its end.

        Args:
            line: The next chunk.  One without characters lets time pass.
            sent: The packets that end in it, for who needs to know what to wait for.

        Raises:
            LinkError: If the link was lost.
        """
        ...

    def evidence(self) -> Evidence:
        """What it knows beside the columns by now."""
        ...

    def close(self) -> None:
        """Let go of the bus; a second time does nothing."""
        ...

    def __enter__(self) -> Link: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...


@runtime_checkable
class Rated(Protocol):
    """A link that may know which bit rates its adapter makes.

    Who tries many rates asks before each trial, and leaves out those that are not made.
    """

    @property
    def rates(self) -> Sequence[int] | None:
        """Bit rates that are made, the plan's own if it is near enough; None: unknown.

        Not all of them: those near the plan's, from which the nearest one is told.
        """
        ...


@runtime_checkable
class Counting(Protocol):
    """A link that counts, for the log of a trial's intervals."""

    @property
    def counts(self) -> Mapping[str, int | None]:
        """What only grows, or is not observable; from any thread, at any time."""
        ...
