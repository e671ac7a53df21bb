"""What of the line got into a node's receiver.

Characters that the receiver lost are left out; the longest gap before any of them is
met by the next one that is not lost.  A receiver that hears addresses keeps to itself
what follows a foreign one.  A reset begins everything anew, and the character under way
with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.base.columns import Flaw

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.fuzz.attacks.laid import Laid
    from bench.node.spec import NodeSpec

__all__ = ["Heard", "heard"]


@dataclass(frozen=True, slots=True)
class Heard:
    """One character that got in.

    Attributes:
        place: On the line.
        octet: What it carries.
        flaw: A `Flaw`, or 0.
        start_ns: Its start bit.
        end_ns: Its end.
        gap_ns: Idle time before it, that before lost ones included; -1: the first ever.
        reset_ns: When the node began anew since the character before; -1: it did not.
    """

    place: int
    octet: int
    flaw: int
    start_ns: int
    end_ns: int
    gap_ns: int
    reset_ns: int


def heard(
    laid: Laid, resets: Sequence[tuple[int, int]], lost: set[int]
) -> Iterator[Heard]:
    """The characters that got in, in order.

    Args:
        laid: The line.
        resets: As in `Laid`, those that were made.
        lost: Places that the receiver lost.
    """
    spec = laid.ground.spec
    flaws = {
        int(row["at"]): (int(row["kind"]), int(row["length_ns"]))
        for row in laid.line.flaws
    }
    anew = dict(resets)
    under_way = _under_way(laid, resets)
    muted, owed_ns, last_ns, reset_ns = spec.uart.mute, -1, None, -1
    for place, start in enumerate(laid.starts.tolist()):
        kind, length_ns = flaws.get(place, (0, 0))
        octet = 0 if kind == Flaw.BREAK else int(laid.line.octets[place])
        lasts_ns = length_ns if kind == Flaw.BREAK else spec.uart.character_ns
        if place in anew:
            muted, owed_ns, last_ns, reset_ns = spec.uart.mute, -1, None, anew[place]
        if place in under_way:
            continue
        gap_ns = -1 if last_ns is None else start - last_ns
        last_ns = start + lasts_ns
        if spec.uart.mute:
            if kind == Flaw.ADDRESS:
                muted = not _is_mine(spec, octet)
            if muted:
                continue
        owed_ns = max(owed_ns, gap_ns)
        if place in lost:
            continue
        yield Heard(place, octet, kind, start, last_ns, owed_ns, reset_ns)
        owed_ns, reset_ns = -1, -1


def _under_way(laid: Laid, resets: Sequence[tuple[int, int]]) -> set[int]:
    """Characters that had started and were not complete when the node began anew."""
    ready_ns = laid.ground.spec.uart.ready_ns
    places = set()
    for place, at_ns in resets:
        if place and int(laid.starts[place - 1]) + ready_ns >= at_ns:
            places.add(place - 1)
    return places


def _is_mine(spec: NodeSpec, octet: int) -> bool:
    """Whether an address is one that the node answers to."""
    layout = spec.packet.layout
    same = (octet & layout.mask) == (spec.address & layout.mask)
    return same or octet in layout.broadcast
