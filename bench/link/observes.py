"""What a link can see of the nodes.

A bench that reads a lane sees data and not clocks; one that reads a node's counters
sees that something was shown and not what.  Whatever a link cannot see is reported as
"not observable", never as zero, so every link says of each kind of evidence whether its
columns hold it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Observes:
    """Which parts of `Seen` a link fills.

    Attributes:
        shown: Rows for what the nodes showed.  Without, nothing else of them counts.
        data: What each burst held.  Without, bursts are told apart by order alone.
        clocks: How many clocks a burst had.
        marginal: Whether a burst had a runt clock.
        times: When a burst began, ended and was shown, on the same time base as the
            line.  Without, `shown_ns` is the order in which the bench heard of it.
        dropped: What a node says it did not show, and why.
        lost: Which characters a node's receiver lost.
        nodes: Indexes of the nodes that the link sees; None for all of them.
    """

    shown: bool = True
    data: bool = True
    clocks: bool = True
    marginal: bool = True
    times: bool = True
    dropped: bool = True
    lost: bool = True
    nodes: tuple[int, ...] | None = None


EVERYTHING = Observes()
"""What a link to a simulated node sees."""
