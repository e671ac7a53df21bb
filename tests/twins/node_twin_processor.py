"""The processor of the node's plain twin: its interrupts, and the packet parser."""

from __future__ import annotations

from twins.node_twin_rows import (
    ACTS,
    ADDRESS,
    BAD_CHECK,
    BIT,
    BODY,
    COMPLETE,
    ENTRY,
    EXIT,
    NO_RECEIVE_BUFFER,
    WRONG_SIZE,
    Received,
)

from bench.wire.decoder import Begun, Decoder, Packet, Rejected
from bench.wire.format import Delimiter

KINDS = {"receive": 1, "complete": 2, "bit": 3}


class Processor:
    """Which interrupt has it, if any."""

    def __init__(self, node):
        self.node = node
        self.cost = node.spec.cost
        self.handler = None  # in the foreground
        self.since_ns = 0
        self.part = ENTRY
        self.taken = 0
        self.complete_waits = False
        self.bit_waits = False

    def wake(self):
        """Something changed: the processor looks around at the end of this instant."""
        if self.handler is None:
            self.node.at(self.node.now, ACTS, self.act)

    def act(self):
        """In the foreground: the first of the interrupts that wait, else a job."""
        while self.handler is None:
            name = self.first_waiting()
            if name is not None:
                self.enter(name)
            elif not self.node.foreground.step():
                return

    def first_waiting(self):
        """The interrupt that goes first."""
        if self.node.foreground.masks():
            return None
        polls = self.node.spec.receive.method == "poll"
        waits = {
            "receive": not polls and self.node.receiver.asserted(),
            "bit": self.bit_waits,
            "complete": self.complete_waits,
        }
        return next((name for name in self.cost.priority if waits[name]), None)

    def doing(self):
        """What it does while a character is lost."""
        if self.handler is None:
            return self.node.foreground.doing()
        return {"receive": self.part, "complete": COMPLETE, "bit": BIT}[self.handler]

    # --- into a handler and out of it

    def enter(self, name):
        """Into a handler."""
        self.node.foreground.lose_processor()
        self.handler = name
        self.since_ns = self.node.now
        entered = {
            "receive": self.enter_receive,
            "complete": self.enter_complete,
            "bit": self.enter_bit,
        }
        entered[name]()

    def after(self, ns, action):
        """The handler goes on later."""
        self.node.at(self.node.now + ns, ACTS, action)

    def leave_after(self, ns):
        """The handler's exit, after what is left of its body."""
        self.after(ns + self.cost.exit_ns, self.leave)

    def leave(self):
        """Out of the handler."""
        node, result, name = self.node, self.node.result, self.handler
        total = f"{name}_ns"
        setattr(result, total, getattr(result, total) + node.now - self.since_ns)
        result.interrupts.append((KINDS[name], self.since_ns, node.now))
        self.handler = None
        node.foreground.get_processor()
        self.act()

    # --- receive

    def enter_receive(self):
        """Its entry."""
        self.node.receiver.entered()
        self.part = ENTRY
        self.taken = 0
        self.after(self.cost.entry_ns, self.look)

    def look(self):
        """One look at the FIFO."""
        receiver = self.node.receiver
        if self.part == ENTRY:
            receiver.stalled &= self.node.spec.quirks.keeps_error
            self.part = BODY
        took, packets = receiver.look(self.taken < self.cost.body_limit)
        packets_ns = packets * self.cost.per_packet_ns
        if took:
            self.taken += 1
            self.after(self.cost.per_character_ns + packets_ns, self.look)
        else:
            self.part = EXIT
            self.leave_after(packets_ns)

    # --- transfer complete

    def complete(self):
        """The output waits for its handler."""
        self.complete_waits = True
        self.wake()

    def enter_complete(self):
        """The handler stops the clock, or begins the next lane."""
        self.complete_waits = False
        stop_ns = self.node.spec.output.stop_latency_ns
        self.after(self.cost.entry_ns + stop_ns, self.stop)

    def stop(self):
        """It does."""
        self.node.output.handled()
        self.leave_after(0)

    # --- output bit

    def tick(self):
        """The output wants a bit."""
        self.node.result.notes["lost tick"] += self.bit_waits
        self.bit_waits = True
        self.wake()

    def enter_bit(self):
        """The handler moves a word when its entry ends."""
        self.bit_waits = False
        self.node.output.entered()
        self.after(self.cost.entry_ns, self.move)

    def move(self):
        """It does."""
        self.node.output.move()
        self.leave_after(self.cost.bit_ns)


class Parser:
    """The decoder, and what its events mean to this node."""

    def __init__(self, node):
        self.node = node
        self.layout = node.spec.packet.layout
        self.decoder = Decoder(node.spec.packet, node.spec.resync)
        self.places = []  # of the decoder -> on the line
        self.buffer_was_free = False
        self.received = 0
        self.errors = 0
        self.last_sequence = -1

    def take(self, c, gap):
        """One octet; how many sound packets for this node it ended."""
        if gap:
            self.decoder.gap(gap)
        self.places.append(c.place)
        if not c.flaw or (c.flaw == ADDRESS and not hasattr(Delimiter, "NINTH")):
            self.decoder.octets(bytes([c.octet]))
        else:
            self.decoder.flaw(c.octet, c.flaw)
        return self.parse()

    def silence(self, idle_ns):
        """A silence; likewise."""
        self.decoder.gap(idle_ns)
        return self.parse()

    def parse(self):
        """What the decoder made of it."""
        ours = 0
        for event in self.decoder.events():
            if isinstance(event, Begun):
                free = self.node.foreground.free_receive
                self.buffer_was_free = free + self.node.spec.quirks.buffer_bias > 0
            elif isinstance(event, Rejected):
                self.rejected(event)
            elif isinstance(event, Packet) and self.is_ours(event.address):
                ours += 1
                self.sound(event)
        return ours

    def is_ours(self, address):
        """Whether this node answers to an address."""
        if address is None or self.layout.address is None:
            return True
        mask = self.layout.mask
        same = (address & mask) == (self.node.spec.address & mask)
        return same or self.is_broadcast(address)

    def is_broadcast(self, address):
        """Whether every node answers to it."""
        return address in self.layout.broadcast

    def rejected(self, event):
        """A packet that was none."""
        foreign = event.address is not None and not self.is_ours(event.address)
        if event.reason == BAD_CHECK and foreign and self.node.spec.resync == "forward":
            return
        self.errors += 1
        self.node.drop(event.reason, self.packet(event, b""))

    def packet(self, event, payload):
        """An event as a packet with its places on the line."""
        first, end = self.places[event.at], self.places[event.end - 1] + 1
        return Received(payload, first, end, self.received)

    def is_passed_over(self, sequence):
        """Whether a bad node lets a sound packet pass."""
        quirks = self.node.spec.quirks
        ahead = (sequence - self.last_sequence - 1) % quirks.sequence_modulus
        if ahead >= quirks.sequence_most or self.received > quirks.packets_most:
            return True
        if self.errors >= quirks.errors_most:
            return True
        self.last_sequence = sequence
        return False

    def least(self):
        """Octets of payload with which a packet is taken."""
        least = self.node.spec.quirks.payload_least
        return self.node.spec.payload_octets if least is None else least

    def sound(self, event):
        """A sound packet for this node."""
        spec, foreground = self.node.spec, self.node.foreground
        self.received += 1
        if self.is_passed_over(event.sequence or 0):
            self.node.result.notes["passed over"] += 1
            return
        foreground.hear()
        if spec.on_sync and self.is_broadcast(event.address):
            foreground.sync()
            return
        payload, size = event.payload, spec.payload_octets
        if spec.window is None:
            fits = self.least() <= len(payload) <= size
        else:
            fits = len(payload) >= spec.window + self.least()
            payload = payload[spec.window : spec.window + size]
        packet = self.packet(event, payload)
        if not fits:
            self.node.drop(WRONG_SIZE, packet)
        elif not self.buffer_was_free:
            self.node.drop(NO_RECEIVE_BUFFER, packet)
        else:
            foreground.receive(packet)
