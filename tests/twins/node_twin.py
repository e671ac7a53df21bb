"""The simulated node once more: slow, plain, an event queue, written from MODEL.md.

It takes a `NodeSpec` (anything with those attributes), the characters on the line, an
instant to stop at, and instants at which it is reset, and returns rows.  Of the bench
it uses the sans-IO decoder, which standards and other libraries check, and nothing
else.  Compare with `bench/kernels/node/`, which shares no line with it.

Here is the queue, and how a node begins, ends and begins anew.  Its parts are in
`node_twin_receiver`, `node_twin_processor`, `node_twin_foreground`, and the outputs in
`node_twin_output`, `node_twin_clocked` and `node_twin_lanes`.
"""

from __future__ import annotations

import heapq

from twins.node_twin_clocked import ByDma, ByPort, ByTimer
from twins.node_twin_foreground import Foreground, PolledLoop
from twins.node_twin_lanes import LanesByDma, LanesByTimer, LanesByUart
from twins.node_twin_output import Pins
from twins.node_twin_processor import Parser, Processor
from twins.node_twin_receiver import Receiver, Ring
from twins.node_twin_rows import COMPLETES, RESET, STARTS, Character, Result

__all__ = ["Character", "NodeTwin"]

OUTPUTS = {
    ("dma", "clocked"): ByDma,
    ("timer", "clocked"): ByTimer,
    ("port", "clocked"): ByPort,
    ("dma", "uart"): LanesByDma,
    ("timer", "uart"): LanesByTimer,
    ("uart", "uart"): LanesByUart,
}


class NodeTwin:
    """One node; `run` plays the whole line and returns the `Result`."""

    def __init__(
        self,
        spec,
        characters,
        until_ns,
        jitter=lambda _burst: 0,
        transfer=lambda _burst, _word: 0,
        resets=(),
    ):
        self.spec = spec
        self.characters = characters
        self.until_ns = until_ns
        self.jitter = jitter
        self.transfer = transfer
        self.resets = sorted(ns for ns in resets if ns < until_ns)
        self.result = Result()
        self.pins = Pins(spec)
        self.queue = []
        self.serial = 0
        self.now = 0

    # --- the queue

    def at(self, ns, order, action):
        """Put something into the queue."""
        self.serial += 1
        heapq.heappush(self.queue, (ns, order, self.serial, action))

    def play(self, until_ns):
        """Everything that happens before an instant."""
        while self.queue and self.queue[0][0] < until_ns:
            self.now, _, _, action = heapq.heappop(self.queue)
            action()
        self.now = until_ns

    # --- from beginning to end

    def run(self):
        """Play everything that happens before `until_ns`."""
        self.begin()
        for at_ns in self.resets:
            self.play(at_ns)
            self.cut()
            self.begin()
        self.play(self.until_ns)
        self.foreground.count()
        self.output.finish()
        return self.result

    def begin(self):
        """The node as it is at first, from now on."""
        self.queue.clear()
        receive, output = self.spec.receive.method, self.spec.output
        self.receiver = (Ring if receive == "dma" else Receiver)(self)
        self.parser = Parser(self)
        self.processor = Processor(self)
        self.foreground = (PolledLoop if receive == "poll" else Foreground)(self)
        self.output = OUTPUTS[output.method, output.signal](self)
        for c in self.characters:
            if c.start_ns >= self.now:
                completes_ns = c.start_ns + self.spec.uart.ready_ns
                self.at(c.start_ns, STARTS, self.receiver.start_bit)
                self.at(completes_ns, COMPLETES, lambda c=c: self.receiver.complete(c))
        self.foreground.begin()

    def cut(self):
        """A reset: what becomes of what was under way."""
        self.foreground.count()
        unsent = self.output.cut()
        packets = [*unsent, *self.foreground.packets()]
        for packet in sorted(packets, key=lambda packet: packet.order):
            self.drop(RESET, packet)
        self.result.notes["reset"] += 1

    def drop(self, reason, packet):
        """A row for a packet that will not be shown."""
        row = (self.now, packet.first, packet.end, int(reason))
        self.result.dropped.append(row)
