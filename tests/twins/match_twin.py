"""What matching means, in plain Python, for whole worlds and without chunks."""

from __future__ import annotations

from dataclasses import dataclass, field

FOREIGN, EVERY_NODE = -1, -2
SHOWN, LOST, CORRUPT, STRAY, REPEATED, LATER, SHIFTED = range(7)


Outcome = tuple[int, int, int, int, int]
"""Kind, index of the packet, index of the burst, alike, bits that differ."""


@dataclass
class Sent:
    """A packet on the line."""

    to: int
    last_bit_ns: int
    contents: bytes


@dataclass
class Burst:
    """What one node put out."""

    node: int
    first_bit_ns: int
    shown_ns: int
    data: bytes


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


@dataclass
class Waiting:
    """One packet that a node is to show."""

    index: int
    packet: Sent
    state: str = "waiting"
    alike: int = 0


@dataclass
class NodeTwin:
    """One node: the packets that it was sent so far, and what became of them."""

    world: World
    node: int
    queue: list[tuple[int, Sent]]
    known: list[Waiting] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)

    def waiting(self) -> list[Waiting]:
        """The packets that wait, in order."""
        return [one for one in self.known if one.state == "waiting"]

    def pass_over(self, one: Waiting) -> None:
        """A packet is lost unless it turns up."""
        one.state = "passed"
        self.outcomes.append((LOST, one.index, -1, one.alike, 0))

    def forget(self, before_ns: int) -> None:
        """What waits for too long is lost."""
        for one in self.waiting():
            if one.packet.last_bit_ns < before_ns:
                self.pass_over(one)

    def pull(self, now_ns: int) -> None:
        """Packets whose last bit came begin to wait."""
        while self.queue and self.queue[0][1].last_bit_ns <= now_ns:
            index, packet = self.queue.pop(0)
            self.forget(packet.last_bit_ns - self.world.memory_ns)
            new = Waiting(index, packet)
            if self.world.by_content:
                for one in reversed(self.waiting()):
                    if one.packet.contents == packet.contents:
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
        sent = self.world.sent
        lately = [k for k in range(len(sent)) if sent[k].last_bit_ns <= now_ns]
        for k in reversed(lately[-self.world.strays :]):
            if sent[k].last_bit_ns < now_ns - self.world.memory_ns:
                return -1
            if sent[k].to not in (self.node, EVERY_NODE) and sent[k].contents == data:
                return k
        return -1

    def burst(self, index: int, burst: Burst) -> None:
        """One burst, told by the first rule that fits."""
        now_ns, data = burst.first_bit_ns, burst.data
        since_ns = now_ns - self.world.memory_ns
        self.pull(now_ns)
        self.forget(since_ns)
        same = [one for one in self.waiting() if one.packet.contents == data]
        if not self.world.by_content:
            same = self.waiting() if burst.shown_ns >= 0 else []
        if burst.shown_ns < 0:
            if same:
                self.outcomes.append((SHIFTED, same[0].index, index, same[0].alike, 0))
            return
        if same:
            for one in self.waiting():
                if one is same[0]:
                    break
                self.pass_over(one)
            same[0].state = "shown"
            self.outcomes.append((SHOWN, same[0].index, index, same[0].alike, 0))
            return
        if not self.world.by_content:
            self.outcomes.append((STRAY, -1, index, 0, 0))
            return
        self.odd_burst(index, data, now_ns)

    def odd_burst(self, index: int, data: bytes, now_ns: int) -> None:
        """A burst that nothing that waits equals."""
        recent = self.recent(now_ns - self.world.memory_ns)
        alike = [one for one in recent if one.packet.contents == data]
        for one in alike:
            if one.state != "passed":
                self.outcomes.append((REPEATED, one.index, index, one.alike, 0))
                return
        for one in alike:
            one.state = "shown"
            self.outcomes.append((LATER, one.index, index, one.alike, 0))
            return
        owner = self.owner(data, now_ns)
        if owner >= 0 or not self.waiting():
            self.outcomes.append((STRAY, owner, index, 0, 0))
            return
        near = min(self.waiting(), key=lambda one: differing(one.packet.contents, data))
        near.state = "corrupt"
        bits = differing(near.packet.contents, data)
        self.outcomes.append((CORRUPT, near.index, index, near.alike, bits))


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
        queue = [
            (k, packet)
            for k, packet in enumerate(world.sent)
            if packet.to in (node, EVERY_NODE)
        ]
        twin = NodeTwin(world, node, queue)
        for index, burst in enumerate(world.bursts):
            if burst.node == node:
                twin.burst(index, burst)
        twin.pull(world.until_ns)
        for one in twin.waiting():
            twin.pass_over(one)
        told.append(twin.outcomes)
    return told
