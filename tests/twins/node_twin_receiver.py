"""The receiver of the node's plain twin: a FIFO or a ring, its timeout, its mute."""

from __future__ import annotations

from collections import deque

from twins.node_twin_rows import ADDRESS, ARRIVES, BREAK, TIMEOUT

SILENCE = 3  # a packet format that a silence delimits


class Receiver:
    """A FIFO behind a shifter."""

    def __init__(self, node):
        self.node = node
        self.spec = node.spec.uart
        self.fifo = deque()  # (character, the gap before it)
        self.held = None
        self.stalled = False
        self.muted = self.spec.mute
        self.latched = False  # fired at the trigger
        self.timed_out = False  # fired by the idle timeout
        self.timer = 0
        self.silence_ns = 0  # one that waits for the parser
        self.last_end_ns = None
        self.owed_gap = 0  # before characters that were lost

    @property
    def level(self):
        """Whether the interrupt is level-fired."""
        return self.spec.fires == "level"

    def asserted(self):
        """Whether the receive interrupt is asserted."""
        if self.level and len(self.fifo) >= self.spec.trigger:
            return True
        return self.latched or self.timed_out

    def entered(self):
        """The handler is entered: what fired once is acknowledged."""
        self.latched = False
        if not self.level:
            self.timed_out = False

    # --- the line

    def start_bit(self):
        """A held character does not outlive the next start bit."""
        if self.spec.overrun == "hold" and self.held is not None:
            self.lose_held()

    def complete(self, c):
        """A character is complete."""
        gap = 0 if self.last_end_ns is None else c.start_ns - self.last_end_ns
        length_ns = c.length_ns if c.flaw == BREAK else self.spec.character_ns
        self.last_end_ns = c.start_ns + length_ns
        self.silence_ns = 0
        self.restart_timer()
        if self.is_muted(c):
            self.node.result.notes["muted"] += 1
        else:
            self.receive(c, gap)
        self.node.processor.wake()

    def is_muted(self, c):
        """Whether the receiver drops a character by itself."""
        if self.spec.mute and c.flaw == ADDRESS:
            self.muted = not self.node.parser.is_ours(c.octet)
        return self.muted

    def receive(self, c, gap):
        """Into the FIFO, the shifter, or lost."""
        if self.held is not None:  # overwrite: the new one takes its place
            self.lose_held()
        if self.stalled:
            self.lose(c, gap)
        elif len(self.fifo) < self.spec.fifo:
            self.accept(c, gap)
        elif self.spec.overrun in ("hold", "overwrite"):
            self.held = (c, gap)
        else:
            self.lose(c, gap)
            self.stalled = self.spec.overrun == "stall"

    def accept(self, c, gap):
        """A character goes into the FIFO."""
        self.fifo.append((c, max(gap, self.owed_gap)))
        self.owed_gap = 0
        if not self.level and len(self.fifo) == self.spec.trigger:
            self.latched = True

    def lose_held(self):
        """What was held in the shifter is gone."""
        held, self.held = self.held, None
        self.lose(*held)

    def lose(self, c, gap):
        """A character is gone; the next one that is not meets the gap before it."""
        self.owed_gap = max(self.owed_gap, gap)
        node = self.node
        node.result.lost.append((c.place, node.now, node.processor.doing()))

    # --- the idle timeout

    def restart_timer(self):
        """The idle timeout runs from here."""
        if self.level:
            self.timed_out = False
        self.timer += 1
        timeout_ns = self.spec.idle_timeout_ns
        if timeout_ns is not None:
            at_ns, version = self.node.now + timeout_ns, self.timer
            self.node.at(at_ns, TIMEOUT, lambda: self.time_out(version))

    def time_out(self, version):
        """The idle timeout, unless it was restarted."""
        if version != self.timer or not (self.fifo or self.spec.idle_on_empty):
            return
        self.timed_out = True
        if self.node.spec.packet.delimiting.kind == SILENCE:
            self.silence_ns = self.node.now - self.last_end_ns
        self.node.processor.wake()

    # --- looks

    def look(self, may_take=True):
        """Take a character, or find none.

        Returns:
            Whether one was taken, and the sound packets for this node that ended.
        """
        if not self.fifo:
            return False, self.find_empty()
        if not may_take:
            return False, 0
        c, gap = self.fifo.popleft()
        if self.held is not None:
            held, self.held = self.held, None
            self.accept(*held)
        if self.level and not self.fifo:
            self.timed_out = False
        if self.spec.restart_on_read:
            self.restart_timer()
        return True, self.node.parser.take(c, gap)

    def find_empty(self):
        """A look finds nothing: the silence that waits goes to the parser."""
        if self.level:
            self.timed_out = False
        idle_ns, self.silence_ns = self.silence_ns, 0
        return self.node.parser.silence(idle_ns) if idle_ns else 0


class Ring(Receiver):
    """A ring in memory that DMA fills."""

    def __init__(self, node):
        super().__init__(node)
        self.arrivals = 0

    @property
    def level(self):
        """What it fires, it fires once."""
        return False

    def receive(self, c, gap):
        """At once, or when the bus is free."""
        node = self.node
        late_ns = node.spec.receive.arbitration_ns
        if late_ns and node.spec.output.method == "dma" and node.output.runs():
            node.result.notes["arbitrated"] += 1
            node.at(node.now + late_ns, ARRIVES, lambda: self.arrive(c, gap))
        else:
            self.arrive(c, gap)

    def arrive(self, c, gap):
        """The next place of the ring is written."""
        ring = self.node.spec.receive
        place = self.arrivals % ring.ring
        self.arrivals += 1
        self.node.result.notes["lap"] += self.arrivals % ring.ring == 0
        self.fifo.append((c, max(gap, self.owed_gap)))
        self.owed_gap = 0
        if len(self.fifo) == ring.ring:  # write place and read place are one
            self.node.result.notes["lapped"] += 1
            lost = list(self.fifo)
            self.fifo.clear()
            for each in lost:
                self.lose(*each)
        half = ring.half and place == ring.ring // 2 - 1
        if half or place == ring.ring - 1:
            self.latched = True
        self.node.processor.wake()
