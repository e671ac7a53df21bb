"""What every way to reach nodes has in common.

A link takes chunks of the line and gives back what was seen of the nodes.  It says what
it can observe; what it cannot is "not observable" all the way to the verdict.  One
suite of tests, `tests/links/contract.py`, is passed by every link.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from types import TracebackType

    from bench.base.columns import Line, Seen
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

    def carry(self, line: Line) -> Seen:
        """Put a chunk on the bus; what was seen up to its end.

        Args:
            line: The next chunk.  One without characters lets time pass.

        Raises:
            LinkError: If the link was lost.
        """
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
