"""The same receiver on simpy, a general-purpose library for discrete events.

FIFO, level-fired trigger, a handler with entry, looks and exit: what `MODEL.md` says of
them, without timeout, parser, foreground and output.  It is the peer whose speed the
kernel's is held beside; that both count the same is checked first.
"""

from __future__ import annotations

import simpy


class SimpyReceiver:
    """One receiver on an unbroken run of characters."""

    def __init__(self, spec, characters: int) -> None:
        self.spec = spec
        self.environment = simpy.Environment()
        self.fifo = 0
        self.lost = 0
        self.interrupts = 0
        self.asserted = self.environment.event()
        self.environment.process(self.line(characters))
        self.environment.process(self.processor())

    def run(self) -> None:
        """Until the last character has come and nothing more happens."""
        self.environment.run()

    def line(self, characters: int):
        """Characters complete one after another."""
        spec = self.spec
        step_ns = spec.pitch.at(1)
        yield self.environment.timeout(spec.uart.ready_ns)
        for k in range(characters):
            if self.fifo < spec.uart.fifo:
                self.fifo += 1
                if self.fifo >= spec.uart.trigger and not self.asserted.triggered:
                    self.asserted.succeed()
            else:
                self.lost += 1
            if k + 1 < characters:
                yield self.environment.timeout(step_ns)

    def processor(self):
        """The handler, whenever it is called for."""
        spec, timeout = self.spec, self.environment.timeout
        while True:
            if self.fifo < spec.uart.trigger:
                self.asserted = self.environment.event()
                yield self.asserted
            yield timeout(spec.cost.entry_ns)
            taken = 0
            while taken < spec.cost.body_limit and self.fifo:
                self.fifo -= 1
                taken += 1
                yield timeout(spec.cost.per_character_ns)
            yield timeout(spec.cost.exit_ns)
            self.interrupts += 1
