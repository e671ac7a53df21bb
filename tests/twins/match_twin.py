"""What matching means, in plain Python, for whole worlds and without chunks."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

FOREIGN, EVERY_NODE = -1, -2
SHOWN, LOST, CORRUPT, STRAY, REPEATED, LATER, SHIFTED, DARK, REST, MOVED = range(10)


Outcome = tuple[int, int, int, int, int, int]
"""Kind, index of the packet, index of the burst, alike, bits that differ, and the other
packet of MOVED."""


@dataclass
class Sent:
    """A packet on the line; without contents, a sync."""

    to: int
    last_bit_ns: int
    contents: bytes | None


@dataclass
class Burst:
    """What one node put out, or a part of it, all of which have one beginning."""

    node: int
    first_bit_ns: int
    shown_ns: int
    data: bytes
    begin_ns: int = -1
    clocks: int = 8


@dataclass
class World:
    """All that was sent and seen, and how far back matching looks."""

    nodes: int
    sent: list[Sent]
    bursts: list[Burst]
    until_ns: int
    packets: int = 64
    memory_ns: int = 10**9
    by_content: bool = True
    strays: int = 256
    shares: list[tuple[int, int]] | None = None
    sync: tuple[bool, ...] = (False,) * 9
    clocks: int = 0
    dark: list[tuple[bytes, int] | None] = field(default_factory=lambda: [None] * 9)

    def contents(self, index: int, node: int) -> bytes:
        """What a packet holds for a node."""
        packet = self.sent[index]
        assert packet.contents is not None
        if self.shares is None or packet.to != EVERY_NODE:
            return packet.contents
        start, octets = self.shares[node]
        return packet.contents[start : start + octets]

    def queue(self, node: int) -> list[Waiting]:
        """The packets that a node is to show, each with the time of its release."""
        own = [
            k
            for k, packet in enumerate(self.sent)
            if packet.to in (node, EVERY_NODE) and packet.contents is not None
        ]
        return [
            Waiting(
                k, self.sent[k], self.contents(k, node), self.release(own, at, node)
            )
            for at, k in enumerate(own)
        ]

    def release(self, own: list[int], at: int, node: int) -> float:
        """When one of a node's own packets may be shown."""
        if not self.sync[node]:
            return self.sent[own[at]].last_bit_ns
        newer = own[at + self.packets :][:1]
        syncs = [
            k
            for k, packet in enumerate(self.sent)
            if k > own[at] and packet.to == EVERY_NODE and packet.contents is None
        ]
        return min([self.sent[k].last_bit_ns for k in newer + syncs], default=inf)


@dataclass
class Waiting:
    """One packet that a node is to show."""

    index: int
    packet: Sent
    contents: bytes
    release_ns: float
    state: str = "waiting"
    alike: int = 0


@dataclass
class NodeTwin:
    """One node: the packets that it was sent so far, and what became of them."""

    world: World
    node: int
    queue: list[Waiting]
    known: list[Waiting] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    heard_ns: int = 0
    begin_ns: int = -1
    part: Waiting | None = None

    def tell(self, kind: int, one: Waiting | None, burst: int, bits: int = 0) -> None:
        """What became of a packet, or of a burst."""
        index, alike = (one.index, one.alike) if one else (-1, 0)
        self.outcomes.append((kind, index, burst, alike, bits, -1))

    def waiting(self) -> list[Waiting]:
        """The packets that wait, in order."""
        return [one for one in self.known if one.state == "waiting"]

    def pass_over(self, one: Waiting) -> None:
        """A packet is lost unless it turns up."""
        one.state = "passed"
        self.tell(LOST, one, -1)

    def forget(self, before_ns: float) -> None:
        """What waits for too long is lost."""
        for one in self.waiting():
            if one.packet.last_bit_ns < before_ns:
                self.pass_over(one)

    def pull(self, now_ns: int) -> None:
        """Packets that are released begin to wait."""
        while self.queue and self.queue[0].release_ns <= now_ns:
            new = self.queue.pop(0)
            self.forget(new.release_ns - self.world.memory_ns)
            if self.world.by_content:
                for one in reversed(self.waiting()):
                    if one.contents == new.contents:
                        one.alike = new.alike = 1
                        break
            self.known.append(new)
            if len(self.waiting()) > self.world.packets:
                self.pass_over(self.waiting()[0])

    def recent(self, since_ns: int) -> list[Waiting]:
        """Decided packets that are still remembered, the last one first."""
        waiting = self.waiting()
        next_ = self.known.index(waiting[0]) if waiting else len(self.known)
        near = self.known[max(0, next_ - self.world.packets) :]
        return [
            one
            for one in reversed(near)
            if one.state != "waiting" and one.packet.last_bit_ns >= since_ns
        ]

    def owner(self, data: bytes, now_ns: int) -> int:
        """The last packet for somebody else that holds the same, or -1."""
        world = self.world
        lately = [
            k for k in range(len(world.sent)) if world.sent[k].last_bit_ns <= now_ns
        ]
        for k in reversed(lately[-world.strays :]):
            packet = world.sent[k]
            if packet.last_bit_ns < now_ns - world.memory_ns:
                return -1
            if packet.contents is None:
                continue
            if packet.to != EVERY_NODE:
                others = [] if packet.to == self.node else [packet.to]
            elif world.shares is not None:
                others = [n for n in range(world.nodes) if n != self.node]
            else:
                others = []
            if any(world.contents(k, n) == data for n in others):
                return k
        return -1

    def dark(self, data: bytes, now_ns: int) -> bool:
        """Whether a burst is darkness, long enough after what it showed last."""
        dark = self.world.dark[self.node]
        if dark is None or (self.world.by_content and data != dark[0]):
            return False
        return now_ns - self.heard_ns >= dark[1]

    def burst(self, index: int, burst: Burst) -> None:
        """One burst, told by the first rule that fits."""
        now_ns, data = burst.first_bit_ns, burst.data
        self.pull(now_ns)
        self.forget(now_ns - self.world.memory_ns)
        same = [one for one in self.waiting() if one.contents == data]
        if not self.world.by_content:
            same = self.waiting() if burst.shown_ns >= 0 else []
        if burst.begin_ns >= 0 and burst.begin_ns == self.begin_ns:
            self.rest(index, burst, same)
            return
        self.begin_ns = burst.begin_ns
        self.part = None
        if burst.shown_ns < 0:
            if same:
                self.tell(SHIFTED, same[0], index)
            return
        if same:
            for one in self.waiting():
                if one is same[0]:
                    break
                self.pass_over(one)
            self.show(same[0], "shown")
            self.tell(SHOWN, same[0], index)
        elif self.dark(data, now_ns):
            self.tell(DARK, None, index)
        elif not self.world.by_content:
            self.tell(STRAY, None, index)
        else:
            self.odd_burst(index, burst)

    def show(self, one: Waiting, state: str) -> None:
        """A packet was shown, rightly or not."""
        one.state = state
        self.part = one
        self.heard_ns = max(self.heard_ns, one.packet.last_bit_ns)

    def rest(self, index: int, burst: Burst, same: list[Waiting]) -> None:
        """More of a burst: it may tell that another packet was spoilt."""
        recent = self.recent(burst.first_bit_ns - self.world.memory_ns)
        taken = self.part
        spoilt = taken in recent and taken.state == "corrupt"
        known = self.world.by_content and spoilt
        if not known or taken.contents == burst.data or not same:
            self.tell(REST, None, index)
            return
        self.show(same[0], "corrupt")
        taken.state, taken.alike = "waiting", 0
        told = (MOVED, same[0].index, index, same[0].alike, 0, taken.index)
        self.outcomes.append(told)

    def odd_burst(self, index: int, burst: Burst) -> None:
        """A burst that nothing that waits equals."""
        now_ns, data = burst.first_bit_ns, burst.data
        recent = self.recent(now_ns - self.world.memory_ns)
        alike = [one for one in recent if one.contents == data]
        for one in alike:
            if one.state != "passed":
                self.tell(REPEATED, one, index)
                return
        for one in alike:
            self.show(one, "shown")
            self.part = None
            self.tell(LATER, one, index)
            return
        for one in self.queue:
            if one.packet.last_bit_ns <= now_ns and one.contents == data:
                self.outcomes.append((STRAY, one.index, index, 0, 0, -1))
                return
        owner = self.owner(data, now_ns)
        if owner >= 0 or not self.waiting():
            self.outcomes.append((STRAY, owner, index, 0, 0, -1))
            return
        waiting = self.waiting()
        if 0 <= burst.clocks < self.world.clocks:
            waiting = waiting[:1]
        near = min(waiting, key=lambda one: differing(one.contents, data))
        self.show(near, "corrupt")
        self.tell(CORRUPT, near, index, differing(near.contents, data))


def differing(left: bytes, right: bytes) -> int:
    """Bits that differ; octets without a counterpart count eight."""
    common = min(len(left), len(right))
    bits = sum((a ^ b).bit_count() for a, b in zip(left, right, strict=False))
    return bits + 8 * (len(left) + len(right) - 2 * common)


def outcomes(world: World) -> list[list[Outcome]]:
    """What became of every packet and burst.

    Returns:
        For each node, in order, what was decided.
    """
    told = []
    for node in range(world.nodes):
        twin = NodeTwin(world, node, world.queue(node))
        for index, burst in enumerate(world.bursts):
            if burst.node == node:
                twin.burst(index, burst)
        twin.pull(world.until_ns)
        for one in twin.waiting():
            twin.pass_over(one)
        told.append(twin.outcomes)
    return told
