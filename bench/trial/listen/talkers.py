"""Whom packets are for, and what was heard of each address.

A packet tells whom it is for and nothing of who sent it.  An address is a node's of the
profile, broadcast, foreign (the profile's traffic names it, or names none), or unknown:
nobody in the profile has it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from bench.trial.listen.looks import Looks
from bench.trial.listen.spread import Spread

if TYPE_CHECKING:
    from bench.base.columns import Drop
    from bench.profile import Profile
    from bench.wire.format import Layout
    from bench.wire.states import Packet

Kind = Literal["own", "every", "broadcast", "foreign", "unknown", "none"]

KINDS: tuple[Kind, ...] = ("own", "every", "broadcast", "foreign", "unknown", "none")
"""A node of the profile; all of them in one payload; every node; others on this bus;
nobody's; no address was heard.  Reports list them in this order."""


@dataclass(frozen=True, slots=True)
class Whom:
    """Whom an address stands for.

    Attributes:
        kind: See `KINDS`.
        name: What it is called.
        node: Index of the node that has it, or None.
    """

    kind: Kind
    name: str
    node: int | None = None


class Names:
    """Who is who on a bus."""

    def __init__(self, profile: Profile, layout: Layout) -> None:
        self._profile = profile
        self._layout = layout
        self._foreign = frozenset(profile.traffic.foreign.addresses)

    def of(self, address: int | None, *, sound: bool = True) -> Whom:
        """Whom an address stands for.

        Args:
            address: As the packet holds it; None where it holds none.
            sound: Whether it is a sound packet's: what is none may have lost its
                address.
        """
        profile, layout = self._profile, self._layout
        if layout.address is None:
            if not sound:
                return Whom("none", "no packet")
            if profile.packet.shared:
                return Whom("every", "all nodes")
            return Whom("own", profile.node[0].name, 0)
        if address is None:
            return Whom("none", "no address")
        for index, node in enumerate(profile.node):
            if (node.address ^ address) & layout.mask == 0:
                return Whom("own", node.name, index)
        if address in layout.broadcast:
            return Whom("broadcast", f"broadcast {address}")
        if not self._foreign or address in self._foreign:
            return Whom("foreign", f"foreign {address}")
        return Whom("unknown", f"unknown {address}")


class Talker:
    """What was heard for one address.

    Attributes:
        whom: Whom it stands for.
        packets: Sound packets.
        octets: Characters that they took on the line.
        missing: Packets that the sequence says are missing.
        restarts: Times that the sequence went back, or stood still.
        rejected: What looked like a packet for it and was none, by reason.
        looks: What its payloads look like.
        last_ns: When the last sound one ended.
        last_raw: That one, unstuffed.
    """

    def __init__(self, address: int | None, whom: Whom) -> None:
        self.address = address
        self.whom = whom
        self.packets = self.octets = 0
        self.missing = self.restarts = 0
        self.rejected: Counter[Drop] = Counter()
        self.looks = Looks()
        self.last_ns: int | None = None
        self.last_raw = b""
        self._periods = Spread()
        self._sequence: int | None = None
        self._now = self._lately = 0

    def take(self, packet: Packet, end_ns: int, modulus: int | None) -> None:
        """One sound packet.

        Args:
            packet: It.
            end_ns: When its last octet ended.
            modulus: Where its sequence begins again; None where it has none.
        """
        self.packets += 1
        self._now += 1
        self.octets += packet.end - packet.at
        self.looks.take(packet.payload)
        self.last_raw = packet.raw
        if self.last_ns is not None:
            self._periods.add(max(0, end_ns - self.last_ns))
        self.last_ns = end_ns
        if packet.sequence is not None and modulus is not None:
            self._follow(packet.sequence, modulus)

    def _follow(self, sequence: int, modulus: int) -> None:
        """How many numbers were left out; more than half of them is a step back."""
        if self._sequence is not None:
            ahead = (sequence - self._sequence - 1) % modulus
            if ahead <= modulus // 2:
                self.missing += ahead
            else:
                self.restarts += 1
        self._sequence = sequence

    def tick(self, seconds: int) -> None:
        """So many seconds have passed: what was heard in the last one is known."""
        self._lately = self._now if seconds == 1 else 0
        self._now = 0

    def as_dict(self, busy_ns: int, character_ns: float) -> dict[str, Any]:
        """The figures as strict JSON; rates are over all of the time."""
        share = 0.0 if not busy_ns else 1 / busy_ns
        return {
            "address": self.address,
            "name": self.whom.name,
            "kind": self.whom.kind,
            "packets": self.packets,
            "per_s": self.packets * share * 1e9,
            "last_second": self._lately,
            "load": self.octets * character_ns * share,
            "rejected": by_name(self.rejected),
            "missing": self.missing if self._sequence is not None else None,
            "restarts": self.restarts if self._sequence is not None else None,
            "period_ns": self._periods.as_dict() if self._periods.n else None,
            "last_ns": self.last_ns,
            "looks": self.looks.as_dict() if self.packets else None,
        }


def by_name(rejected: Counter[Drop]) -> dict[str, int]:
    """Counts of rejections by the name of their reason, the commonest first."""
    return {
        drop.name.lower().replace("_", " "): n for drop, n in rejected.most_common()
    }
