"""UART lanes of the node's plain twin, and what the far end of each reads."""

from __future__ import annotations

from twins.node_twin_clocked import Ticks
from twins.node_twin_output import NS_PER_S, Output
from twins.node_twin_rows import ALL_LANES, WORD

BITS = 10  # of an octet: start, eight, stop
STOP = 9


def level_of(octets, k):
    """The level of bit k of a lane."""
    place = k % BITS
    if place == 0:
        return 0
    return 1 if place == STOP else octets[k // BITS] >> (place - 1) & 1


def far_end(changes, lane_hz):
    """The octets that the far end of a lane reads.

    Args:
        changes: (instant, level from then on), in order; not all of them change it.
        lane_hz: The rate that the far end expects.
    """
    read, level, at = [], 1, 0
    while at < len(changes):
        falls = level == 1 and changes[at][1] == 0
        began_ns, level = changes[at]
        at += 1
        if not falls:
            continue
        value = 0
        for i in range(1, STOP + 1):
            read_ns = began_ns + (2 * i + 1) * NS_PER_S // (2 * lane_hz)
            while at < len(changes) and changes[at][0] <= read_ns:
                level = changes[at][1]
                at += 1
            if i < STOP:
                value |= level << (i - 1)
        read.append(value)
    return bytes(read)


class Lanes(Output):
    """Lanes that all send at once; `moves` says when each bit does."""

    def held(self):
        """What the devices of all lanes hold."""
        return self.pins.held

    def lanes_of(self, octets):
        """Octets, lane by lane."""
        size = self.spec.lane_octets
        return [octets[k : k + size] for k in range(0, len(octets), size)]

    def stop(self):
        """The last bit is over."""
        size, held = self.spec.lane_octets, b""
        for octets in self.lanes_of(self.burst.payload):
            changes = [(ns, level_of(octets, k)) for k, ns in enumerate(self.moves)]
            read = far_end(changes, self.spec.lane_hz)
            self.node.result.notes["misread"] += read != octets
            held += (read + bytes(size))[:size]
        self.pins.held = held
        self.give_back(self.end(self.node.now, self.spec.clocks))

    def cut_short(self, burst, now):
        """The bits that began before now, and octets whose stop bit had."""
        burst.clocks = sum(ns < now for ns in self.moves)
        burst.end_ns = now
        come = burst.clocks // BITS
        lanes = zip(
            self.lanes_of(burst.payload), self.lanes_of(self.pins.held), strict=True
        )
        self.pins.held = b"".join(new[:come] + old[come:] for new, old in lanes)
        return burst.clocks > 0


class LanesByUart(Lanes):
    """Hardware that needs nobody."""

    def start(self):
        """Every bit is certain."""
        burst, clocks = self.burst, self.spec.clocks
        burst.first_bit_ns = burst.begin_ns
        self.moves = [self.bit_ns(k) for k in range(clocks)]
        burst.edges += [(ns, WORD, ALL_LANES) for ns in self.moves]
        self.at(self.moves[0], self.first_bit)
        self.at(burst.begin_ns + self.period(clocks), self.stop)

    def bit_ns(self, k):
        """When bit k begins."""
        return self.burst.begin_ns + self.period(k)


class LanesByDma(LanesByUart):
    """Port words that DMA moves, each somewhat late."""

    def start(self):
        """Every bit is certain."""
        super().start()
        if self.spec.stolen_ns:
            for k in range(self.spec.clocks):
                rollover_ns = self.burst.begin_ns + self.period(k)
                self.at(rollover_ns, self.node.foreground.steal)

    def bit_ns(self, k):
        """When bit k begins."""
        return super().bit_ns(k) + self.node.transfer(self.burst.number, k)


class LanesByTimer(Ticks, Lanes):
    """One interrupt a bit, for all lanes together."""

    def moved(self):
        """The bit is on the lanes."""
        if len(self.moves) == 1:
            self.burst.first_bit_ns = self.node.now
            self.first_bit()
