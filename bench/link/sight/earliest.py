"""When a burst can have begun at the earliest: once the packet that it shows was over.

A far program's clock begins when it reads its first octet.  A host that was busy then
lets it begin late, and everything that it tells seems early by as much, which is no
node's doing.  A burst that holds just what a packet held is moved to where that packet
ended, if it is told to be a little before; whatever else is early stays so.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.base.columns import Sent

_KEPT = 64
"""Packets of each node that are looked through: more than any node holds."""

MOST_NS = 50_000_000
"""A clock that began later than that is not to be explained by a busy host."""


class Earliest:
    """The packets that nodes were sent lately.

    Attributes:
        most_ns: By how much a burst had to be moved at most.
    """

    def __init__(self, nodes: int) -> None:
        self._packets: list[deque[tuple[bytes, int]]] = [
            deque(maxlen=_KEPT) for _ in range(nodes)
        ]
        self.most_ns = 0

    def sent(self, sent: Sent) -> None:
        """Packets end in a chunk."""
        for row in sent.rows:
            to, at = int(row["to"]), int(row["payload_at"])
            if 0 <= to < len(self._packets) and at >= 0:
                payload = sent.payload[at : at + int(row["payload_octets"])].tobytes()
                self._packets[to].append((payload, int(row["last_bit_ns"])))

    def late_ns(self, node: int, octets: bytes, begins_ns: int) -> int:
        """By how much a burst has to be moved, that is told to begin at an instant."""
        early = [
            max(0, last_ns - begins_ns)
            for payload, last_ns in self._packets[node]
            if payload == octets
        ]
        least_ns = min(early, default=0)
        if least_ns > MOST_NS:
            return 0
        self.most_ns = max(self.most_ns, least_ns)
        return least_ns
