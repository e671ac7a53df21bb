"""Which upsets there are, and when and how each of them strikes.

This table is the one place where a new one is added.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.trial.upset.line import Heard, Hearing


class At(Enum):
    """When an upset strikes."""

    ANYWHERE = 1  # wherever the line is
    PACKET = 2  # inside a packet for one of the nodes
    BETWEEN = 3  # after a packet, and until before another
    BURST = 4  # while one of the nodes shifts a packet out


@dataclass(frozen=True, slots=True)
class Blow:
    """One upset at its instant.

    Attributes:
        from_ns: When it begins.
        good_ns: When it is over.
        baud: Of the bus.
    """

    from_ns: int
    good_ns: int
    baud: int


@dataclass(frozen=True, slots=True)
class Upset:
    """One entry of the table.

    Attributes:
        name: What the command line calls it.
        line: What happens, in one line.
        at: When it strikes.
        lasts: Whether it takes time, or happens at an instant.
        drawn: Whether the line changes in that time, so that it must be worked out bit
            by bit.
        hear: What the nodes hear of it.
    """

    name: str
    line: str
    at: At
    lasts: bool
    drawn: bool
    hear: Callable[[Hearing, Blow], Heard]

    @property
    def resets(self) -> bool:
        """Whether nodes lose what they had."""
        return not self.lasts


def _at_baud(share: float) -> Callable[[Hearing, Blow], Heard]:
    """Traffic at a share of the bus's baud."""
    return lambda hearing, blow: hearing.at_baud(
        round(share * blow.baud), blow.from_ns, blow.good_ns
    )


UPSETS = (
    Upset(
        "power-up",
        "the nodes are switched on in the middle of the traffic",
        At.ANYWHERE,
        lasts=False,
        drawn=False,
        hear=lambda hearing, blow: hearing.begun(blow.from_ns, off=True),
    ),
    Upset(
        "silence",
        "nothing is sent for a while, between two packets",
        At.BETWEEN,
        lasts=True,
        drawn=False,
        hear=lambda hearing, blow: hearing.silent(blow.from_ns, blow.good_ns),
    ),
    Upset(
        "stuck-break",
        "the line is held low",
        At.ANYWHERE,
        lasts=True,
        drawn=False,
        hear=lambda hearing, blow: hearing.held(0, blow.from_ns, blow.good_ns),
    ),
    Upset(
        "half-baud",
        "the sender goes on at half the baud",
        At.ANYWHERE,
        lasts=True,
        drawn=True,
        hear=_at_baud(0.5),
    ),
    Upset(
        "double-baud",
        "the sender goes on at twice the baud",
        At.ANYWHERE,
        lasts=True,
        drawn=True,
        hear=_at_baud(2.0),
    ),
    Upset(
        "fast-baud",
        "the sender goes on a tenth too fast",
        At.ANYWHERE,
        lasts=True,
        drawn=True,
        hear=_at_baud(1.1),
    ),
    Upset(
        "swapped-wires",
        "the two wires of the line are swapped, so that it idles low",
        At.ANYWHERE,
        lasts=True,
        drawn=True,
        hear=lambda hearing, blow: hearing.swapped(blow.from_ns, blow.good_ns),
    ),
    Upset(
        "pulled-plug",
        "the line goes idle inside a packet, and comes back with traffic on it",
        At.PACKET,
        lasts=True,
        drawn=False,
        hear=lambda hearing, blow: hearing.held(1, blow.from_ns, blow.good_ns),
    ),
    Upset(
        "reset-receiving",
        "the nodes are reset while one of them receives a packet",
        At.PACKET,
        lasts=False,
        drawn=False,
        hear=lambda hearing, blow: hearing.begun(blow.from_ns, off=False),
    ),
    Upset(
        "reset-showing",
        "the nodes are reset while one of them shifts a packet out",
        At.BURST,
        lasts=False,
        drawn=False,
        hear=lambda hearing, blow: hearing.begun(blow.from_ns, off=False),
    ),
)
"""Every upset, in the order in which they are tried."""

DRAWN_MOST = 1 << 20
"""Characters that are worked out bit by bit at most: half a minute's work."""

NAMES = tuple(upset.name for upset in UPSETS)
"""What they are called."""
