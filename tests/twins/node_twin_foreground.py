"""The foreground of the node's plain twin: its jobs, and the packets on their way."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from twins.node_twin_rows import (
    ACTS,
    ENDS,
    MASKED,
    NO_PORT_WORDS,
    NOT_SYNCED,
    NOTHING,
    POLLING,
    REARRANGING,
    STARTING,
    SYNC_EARLY,
)

PASS, HANDLE, REARRANGE, START = "pass", "handle", "rearrange", "start"
DARK = None  # in the place of a packet


@dataclass
class Job:
    """One job of the foreground."""

    kind: str
    packet: object
    began_ns: int
    got_ns: int  # the processor, the last time
    ends_ns: int
    left_ns: int = 0  # while it has not got it


class Foreground:
    """One job at a time, picked when there is none."""

    def __init__(self, node):
        self.node = node
        self.cost = node.spec.cost
        self.job = None
        self.waiting = deque()
        self.rearranged = deque()
        self.free_receive = self.cost.receive_buffers
        self.free_words = self.cost.word_buffers
        self.dark_due_ns = None
        self.taken = 0
        self.owners = {}  # packets that receive buffers belong to, by their places

    def begin(self):
        """From now on."""
        self.hear()

    def packets(self):
        """All that were received and are not with the output."""
        now = [self.job.packet] if self.job is not None else []
        return [p for p in (*self.rearranged, *now, *self.waiting) if p is not None]

    # --- packets and syncs

    def hear(self):
        """A sound packet for this node: darkness is put off."""
        blackout_ns = self.node.spec.blackout_ns
        if blackout_ns is not None:
            self.dark_due_ns = self.node.now + blackout_ns
            self.node.at(self.dark_due_ns, ACTS, self.node.processor.act)

    def receive(self, packet):
        """A packet for the lanes, into the next buffer, whoever has that."""
        buffers = self.node.pins.buffers
        place = self.taken % len(buffers)
        self.taken += 1
        buffers[place] = packet.payload + buffers[place][len(packet.payload) :]
        packet.payload = buffers[place]
        before = self.owners.get(place)
        job = self.job
        now = [job.packet] if job is not None and job.kind == REARRANGE else []
        if before and any(each is before for each in (*self.waiting, *now)):
            before.payload = packet.payload
            before.first, before.end = packet.first, packet.end
        self.owners[place] = packet
        self.free_receive -= 1
        self.waiting.append(packet)
        if len(self.waiting) > self.node.spec.quirks.waiting_most:
            self.taken -= len(self.waiting)
            self.free_receive += len(self.waiting)
            self.waiting.clear()

    def sync(self):
        """What is held is released; for what is not rearranged yet it comes early."""
        notes = self.node.result.notes
        for packet in self.packets():
            if packet in self.rearranged:
                notes["released"] += not packet.released
                packet.released = True
            else:
                packet.early = True

    def hold(self, packet):
        """A packet was rearranged; held for a sync, it takes another one's place."""
        packet.released = not self.node.spec.on_sync
        held = [p for p in self.rearranged if not p.released]
        if held:
            self.rearranged.remove(held[0])
            self.free_words += 1
            reason = SYNC_EARLY if held[0].early else NOT_SYNCED
            self.node.drop(reason, held[0])
        self.rearranged.append(packet)

    # --- jobs

    def step(self):
        """Go on, where there is no job; whether something was done."""
        return self.job is None and self.pick()

    def pick(self):
        """Begin the job that comes first, if any; whether there was one."""
        at_rest = self.node.output.at_rest
        if at_rest and self.rearranged and self.rearranged[0].released:
            self.start(START, self.rearranged.popleft(), self.cost.start_output_ns)
            return True
        while self.waiting and not self.free_words and self.cost.drop_without_words:
            self.node.drop(NO_PORT_WORDS, self.waiting.popleft())
            self.free_receive += 1
        if self.waiting and self.free_words:
            self.free_words -= 1
            packet = self.waiting.popleft()
            self.start(REARRANGE, packet, self.cost.rearrange_ns)
            return True
        due = self.dark_due_ns is not None and self.node.now >= self.dark_due_ns
        if due and at_rest:
            self.dark_due_ns = None
            self.start(START, DARK, self.cost.start_output_ns)
            return True
        return False

    def start(self, kind, packet, cost_ns):
        """A job begins."""
        now = self.node.now
        self.job = Job(kind, packet, now, now, now + cost_ns)
        if cost_ns == 0:
            self.finish()
            return
        self.await_end()
        if self.masked_ns():
            self.node.at(now + self.masked_ns(), ACTS, self.node.processor.act)

    def await_end(self):
        """Put the job's end into the queue."""
        job, ends_ns = self.job, self.job.ends_ns
        self.node.at(ends_ns, ENDS, lambda: self.end(job, ends_ns))

    def end(self, job, ends_ns):
        """It ends, unless it was put off."""
        running = job is self.job and self.node.processor.handler is None
        if running and job.ends_ns == ends_ns == self.node.now:
            self.count()
            self.finish()
            self.node.processor.wake()

    def finish(self):
        """What follows from the end of a job."""
        job, self.job = self.job, None
        if job.kind == REARRANGE:
            self.free_receive += 1
            self.hold(job.packet)
        elif job.kind == START:
            dark = job.packet is DARK
            self.node.result.notes["dark"] += dark
            payload = self.node.spec.dark if dark else job.packet.payload
            self.node.output.begin(payload, job.packet)

    # --- whose the processor is

    def lose_processor(self):
        """An interrupt takes it away."""
        self.count()
        if self.job is not None:
            self.job.left_ns = self.job.ends_ns - self.node.now

    def get_processor(self):
        """The interrupt is over."""
        if self.job is not None:
            self.job.got_ns = self.node.now
            self.job.ends_ns = self.node.now + self.job.left_ns
            self.await_end()

    def steal(self):
        """A port word moves: a job that has the processor ends later."""
        job, now = self.job, self.node.now
        has_it = job is not None and self.node.processor.handler is None
        if has_it and job.got_ns < now < job.ends_ns:
            job.ends_ns += self.node.spec.output.stolen_ns
            self.await_end()
            self.node.result.notes["stolen"] += 1

    def count(self):
        """Count the time since the job got the processor."""
        job, now = self.job, self.node.now
        if job is None or self.node.processor.handler is not None:
            return
        if job.kind != PASS:
            self.node.result.foreground_ns += now - job.got_ns
        job.got_ns = now

    def masked_ns(self):
        """How long the job that runs keeps interrupts out."""
        return self.cost.masked_ns if self.job.kind in (REARRANGE, START) else 0

    def masks(self):
        """Whether no interrupt can be entered."""
        job = self.job
        return job is not None and self.node.now < job.began_ns + self.masked_ns()

    def doing(self):
        """What it does while a character is lost."""
        masked = self.masks() and self.node.receiver.asserted()
        return MASKED if masked else NOTHING

    def rested(self, received):
        """The kept gap after a burst has passed: a dark one had no port words."""
        if received is not DARK:
            self.free_words += 1


class PolledLoop(Foreground):
    """Pass, look, handle, one job or none, and again."""

    def __init__(self, node):
        super().__init__(node)
        self.next = self.pass_by

    def begin(self):
        """The loop begins at the beginning."""
        super().begin()
        self.node.processor.wake()

    def step(self):
        """The loop's next part, where there is no job."""
        if self.job is not None:
            return False
        self.next()
        return True

    def pass_by(self):
        """A pass; a look when it ends."""
        self.next = self.look
        self.start(PASS, None, self.node.spec.receive.pass_ns)

    def look(self):
        """A look, and what it found is handled."""
        self.next = self.choose
        self.node.receiver.stalled &= self.node.spec.quirks.keeps_error
        took, packets = self.node.receiver.look()
        cost_ns = packets * self.cost.per_packet_ns
        if took:
            cost_ns += self.cost.per_character_ns
        self.start(HANDLE, None, cost_ns)

    def choose(self):
        """One job or none."""
        self.next = self.pass_by
        self.pick()

    def doing(self):
        """What the loop does while a character is lost."""
        kind = None if self.job is None else self.job.kind
        return {REARRANGE: REARRANGING, START: STARTING}.get(kind, POLLING)
