"""What is listened to: the bus, and ports that read something of a node."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.link.transport import Heard, Transport


class Ear(NamedTuple):
    """A port that is only read, beside the bus.

    Attributes:
        transport: The port; it is closed with the link.
        hand: Who gets what it heard, and when in the trial.
    """

    transport: Transport
    hand: Callable[[Heard, int], None]


def unheard(heard: Heard, at_ns: int) -> None:
    """What the bus tells is nobody's business."""
