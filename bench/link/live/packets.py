"""The packets of a line one by one, for links that carry one at a time.

A packet is handed over when its last bit would have come over a line.  What lies
between packets to fill it goes into no datagram, and is counted.  Sans-IO.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.base.columns import Line, Sent


@dataclass(frozen=True, slots=True)
class Datagram:
    """One packet.

    Attributes:
        octets: All of its characters.
        due_ns: Its last bit, in ns of the plan.
        carried: Characters of the chunk that are dealt with once it is sent.
    """

    octets: bytes
    due_ns: int
    carried: int


class Datagrams:
    """Takes packets out of chunk after chunk.

    Attributes:
        left_out: Characters that belong to no packet.
    """

    def __init__(self) -> None:
        self._held = bytearray()
        self.left_out = 0

    def packets(self, line: Line, sent: Sent) -> Iterator[Datagram]:
        """The packets that end in the next chunk."""
        at = line.first - len(self._held)
        self._held += line.octets.tobytes()
        for row in sent.rows:
            first, end = int(row["first"]), int(row["first"] + row["octets"])
            self.left_out += first - at
            octets = bytes(self._held[first - at : end - at])
            del self._held[: end - at]
            at = end
            yield Datagram(octets, int(row["last_bit_ns"]), end - line.first)
