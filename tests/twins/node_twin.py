"""The simulated node once more: slow, plain, an event queue, written from MODEL.md.

It takes a `NodeSpec` (anything with those attributes), the characters on the line and
an instant to stop at, and returns rows.  Of the bench it uses the sans-IO decoder,
which standards and other libraries check, and nothing else.  Compare with
`bench/kernels/node/`, which shares no line with it.
"""

from __future__ import annotations

import heapq
from collections import deque
from dataclasses import dataclass, field
from fractions import Fraction

from bench.wire.decoder import Begun, Decoder, Packet, Rejected

ENDS, LINE, TIMEOUT, ACT = 1, 2, 3, 4  # the order at one instant

FRAMING, PARITY, BREAK = 1, 2, 3
BAD_CHECK, WRONG_SIZE, NO_RECEIVE_BUFFER, NO_PORT_WORDS, LATCH_GAP_SHORT = (
    1,
    7,
    8,
    9,
    10,
)
NOTHING, ENTRY, BODY, EXIT, COMPLETE = 0, 1, 2, 3, 4


@dataclass
class Character:
    """One character on the line."""

    place: int
    start_ns: int
    octet: int
    flaw: int = 0
    length_ns: int = 0


@dataclass
class Result:
    """What happened, in rows of plain tuples."""

    shown: list = field(default_factory=list)
    data: list = field(default_factory=list)
    dropped: list = field(default_factory=list)
    lost: list = field(default_factory=list)
    interrupts: list = field(default_factory=list)
    edges: list = field(default_factory=list)
    receive_ns: int = 0
    complete_ns: int = 0
    foreground_ns: int = 0


@dataclass
class Burst:
    """One packet on its way out."""

    payload: bytes
    begin_ns: int = 0
    number: int = 0
    stop_ns: int = 0
    end_ns: int = 0
    first_bit_ns: int = 0
    clocks: int = 0
    marginal: int = 0


class NodeTwin:
    """One node; `run` plays the whole line and returns the `Result`."""

    def __init__(
        self,
        spec,
        characters,
        until_ns,
        jitter=lambda _burst: 0,
        transfer=lambda _burst, _word: 0,
    ):
        self.spec = spec
        self.transfer = transfer
        self.characters = characters
        self.until_ns = until_ns
        self.jitter = jitter
        self.result = Result()
        self.queue = []
        self.serial = 0
        # receiver
        self.fifo = deque()
        self.held = None
        self.stalled = False
        self.trigger_latched = False
        self.timeout_asserted = False
        self.timer = 0
        self.silence_waits = 0
        self.last_end = None
        self.owed_gap = 0
        # processor
        self.phase = None  # None: foreground
        self.phase_since = 0
        self.first_look = False
        self.taken_here = 0
        self.complete_pending = False
        # parser
        self.decoder = Decoder(spec.packet, spec.resync)
        self.places = []  # decoder place -> place on the line
        self.buffer_was_free = False
        self.now = 0
        # foreground
        self.job = None
        self.job_left = 0
        self.job_since = 0
        self.job_version = 0
        self.waiting = deque()
        self.ready = deque()
        self.free_receive = spec.cost.receive_buffers
        self.free_words = spec.cost.word_buffers
        # output
        self.running = None
        self.resting = False
        self.unlatched = None
        self.bursts = 0

    # --- the queue

    def at(self, ns, order, action):
        """Put something into the queue."""
        self.serial += 1
        heapq.heappush(self.queue, (ns, order, self.serial, action))

    def run(self):
        """Play everything that happens before `until_ns`."""
        for c in self.characters:
            self.at(c.start_ns, LINE, lambda c=c: self.start_bit(c))
            self.at(
                c.start_ns + self.spec.uart.ready_ns,
                LINE,
                lambda c=c: self.complete(c),
            )
        while self.queue and self.queue[0][0] < self.until_ns:
            self.now, _, _, action = heapq.heappop(self.queue)
            action()
        self.now = self.until_ns
        if self.phase is None:
            self.pause_job()
        self.settle_latch(None)
        return self.result

    # --- the receiver

    def lose(self, character):
        """A character is gone."""
        doing = {None: NOTHING, "stop": COMPLETE, "left": COMPLETE, "exit": EXIT}
        what = doing.get(self.phase)
        if self.phase == "look":
            what = ENTRY if self.first_look else BODY
        self.result.lost.append((character.place, self.now, what))

    def start_bit(self, _character):
        """A held character does not outlive the next start bit."""
        if self.spec.uart.overrun == "hold" and self.held is not None:
            self.lose(self.held[0])
            self.carry_gap(self.held[1])
            self.held = None

    def complete(self, c):
        """A character is complete: into the FIFO, the shifter, or lost."""
        uart = self.spec.uart
        gap = 0 if self.last_end is None else c.start_ns - self.last_end
        length = c.length_ns if c.flaw == BREAK else uart.character_ns
        self.last_end = c.start_ns + length
        if self.held is not None:  # overwrite: the new one takes its place
            self.lose(self.held[0])
            gap = max(gap, self.held[1])
            self.held = None
        self.restart_timer()
        self.silence_waits = 0
        if uart.fires == "level":
            self.timeout_asserted = False
        if self.stalled:
            self.lose(c)
            self.carry_gap(gap)
        elif len(self.fifo) < uart.fifo:
            self.accept(c, gap)
        elif uart.overrun in ("hold", "overwrite"):
            self.held = (c, gap)
        else:
            self.lose(c)
            self.carry_gap(gap)
            self.stalled = uart.overrun == "stall"
        self.wake()

    def carry_gap(self, gap):
        """The gap before a lost character is met by the next one that is not."""
        self.owed_gap = max(self.owed_gap, gap)

    def accept(self, c, gap):
        """A character goes into the FIFO."""
        gap = max(gap, self.owed_gap)
        self.owed_gap = 0
        self.fifo.append((c, gap))
        if len(self.fifo) == self.spec.uart.trigger:
            self.trigger_latched = True

    def restart_timer(self):
        """The idle timeout runs from here."""
        self.timer += 1
        timeout = self.spec.uart.idle_timeout_ns
        if timeout is not None:
            version = self.timer
            self.at(self.now + timeout, TIMEOUT, lambda: self.fire(version))

    def fire(self, version):
        """The idle timeout."""
        if version != self.timer:
            return
        if self.fifo or self.spec.uart.idle_on_empty:
            self.timeout_asserted = True
            if self.spec.packet.delimiting.kind == 3:
                self.silence_waits = self.now - self.last_end
            self.wake()

    def asserted(self):
        """Whether the receive interrupt is asserted."""
        if self.timeout_asserted:
            return True
        if self.spec.uart.fires == "level":
            return len(self.fifo) >= self.spec.uart.trigger
        return self.trigger_latched

    # --- the processor

    def wake(self):
        """Something changed: the processor looks around at the end of this instant."""
        if self.phase is None:
            self.at(self.now, ACT, self.act)

    def act(self):
        """The processor, in the foreground, decides what to do."""
        if self.phase is not None:
            return
        if self.asserted():
            self.pause_job()
            self.enter_receive()
        elif self.complete_pending:
            self.pause_job()
            self.enter_complete()
        elif self.job is None:
            self.pick()

    def enter_receive(self):
        """Into the receive handler."""
        self.phase = "look"
        self.first_look = True
        self.taken_here = 0
        self.trigger_latched = False
        if self.spec.uart.fires == "transition":
            self.timeout_asserted = False
        self.phase_since = self.now
        self.at(self.now + self.spec.cost.entry_ns, ACT, self.look)

    def look(self):
        """One look at the FIFO."""
        cost = self.spec.cost
        if self.first_look:
            self.stalled = False
            self.first_look = False
        if self.taken_here >= cost.body_limit or not self.fifo:
            if not self.fifo:
                self.found_empty()
            extra = 0
            if not self.fifo and self.silence_waits:
                self.decoder.gap(self.silence_waits)
                self.silence_waits = 0
                extra = self.parse() * cost.per_packet_ns
            self.phase = "exit"
            self.at(self.now + extra + cost.exit_ns, ACT, self.leave)
            return
        character, gap = self.fifo.popleft()
        self.taken_here += 1
        if self.held is not None:
            held, self.held = self.held, None
            self.accept(*held)
        if not self.fifo:
            self.found_empty()
        if self.spec.uart.restart_on_read:
            if self.spec.uart.fires == "level":
                self.timeout_asserted = False
            self.restart_timer()
        packets = self.take(character, gap)
        after = cost.per_character_ns + packets * cost.per_packet_ns
        self.at(self.now + after, ACT, self.look)

    def found_empty(self):
        """A look found or left the FIFO empty."""
        if self.spec.uart.fires == "level":
            self.timeout_asserted = False

    def leave(self):
        """Out of the handler."""
        kind = 1 if self.phase == "exit" else 2
        spent = self.now - self.phase_since
        if kind == 1:
            self.result.receive_ns += spent
        else:
            self.result.complete_ns += spent
        self.result.interrupts.append((kind, self.phase_since, self.now))
        self.phase = None
        self.resume_job()
        self.act()

    def enter_complete(self):
        """Into the transfer-complete handler."""
        self.complete_pending = False
        self.phase = "stop"
        self.phase_since = self.now
        cost, output = self.spec.cost, self.spec.output
        self.at(
            self.now + cost.entry_ns + output.stop_latency_ns, ACT, self.stop_by_hand
        )

    def stop_by_hand(self):
        """The handler stops the clock."""
        self.stop_clock(self.now)
        self.phase = "left"
        self.at(self.now + self.spec.cost.exit_ns, ACT, self.leave)

    # --- the parser

    def take(self, character, gap):
        """One octet to the parser; returns how many sound packets were for us."""
        if gap:
            self.decoder.gap(gap)
        self.places.append(character.place)
        if character.flaw:
            self.decoder.flaw(character.octet, character.flaw)
        else:
            self.decoder.octets(bytes([character.octet]))
        return self.parse()

    def parse(self):
        """What the parser made of it."""
        ours = 0
        for event in self.decoder.events():
            if isinstance(event, Begun):
                self.buffer_was_free = self.free_receive > 0
            elif isinstance(event, Rejected):
                self.rejected(event)
            elif isinstance(event, Packet) and self.is_ours(event.address):
                ours += 1
                self.packet(event)
        return ours

    def is_ours(self, address):
        """Whether this node answers to an address."""
        layout = self.spec.packet.layout
        if address is None:
            return True
        same = (address & layout.mask) == (self.spec.address & layout.mask)
        return same or address in layout.broadcast

    def rejected(self, event):
        """A packet that was none."""
        foreign = event.address is not None and not self.is_ours(event.address)
        if event.reason == BAD_CHECK and foreign and self.spec.resync == "forward":
            return
        self.drop(event.reason, event)

    def drop(self, reason, event):
        """A row for a packet that will not be shown."""
        first, end = event.at, event.end
        self.result.dropped.append(
            (self.now, self.places[first], self.places[end - 1] + 1, int(reason))
        )

    def packet(self, event):
        """A sound packet for this node."""
        if len(event.payload) != self.spec.payload_octets:
            self.drop(WRONG_SIZE, event)
        elif not self.buffer_was_free:
            self.drop(NO_RECEIVE_BUFFER, event)
        else:
            self.free_receive -= 1
            self.waiting.append(event)

    # --- the foreground

    def pause_job(self):
        """An interrupt takes the processor away."""
        if self.job is not None:
            done = self.now - self.job_since
            self.job_left -= done
            self.result.foreground_ns += done
            self.job_since = self.now
        self.job_version += 1

    def resume_job(self):
        """The interrupt is over."""
        self.job_since = self.now
        if self.job is not None:
            self.run_job()

    def run_job(self):
        """Put the job's end into the queue."""
        self.job_version += 1
        version = self.job_version
        self.at(self.now + self.job_left, ENDS, lambda: self.end_job(version))

    def start_job(self, job, cost):
        """The foreground begins something."""
        self.job = job
        self.job_left = cost
        self.job_since = self.now
        if cost == 0:
            self.finish_job()
            self.act()
        else:
            self.run_job()

    def end_job(self, version):
        """The job ends, unless an interrupt came first."""
        if version != self.job_version or self.job is None:
            return
        self.result.foreground_ns += self.now - self.job_since
        self.finish_job()
        self.wake()

    def finish_job(self):
        """What follows from the end of a job."""
        kind, what = self.job
        self.job = None
        if kind == "rearrange":
            self.free_receive += 1
            self.ready.append(what.payload)
        else:
            self.begin_burst(what)

    def pick(self):
        """Choose what to do."""
        cost = self.spec.cost
        if self.ready and self.running is None and not self.resting:
            self.start_job(("start", self.ready.popleft()), cost.start_output_ns)
        elif self.waiting and self.free_words > 0:
            self.free_words -= 1
            packet = self.waiting.popleft()
            self.start_job(("rearrange", packet), cost.rearrange_ns)
        elif self.waiting and cost.drop_without_words:
            self.drop(NO_PORT_WORDS, self.waiting.popleft())
            self.free_receive += 1
            self.pick()

    # --- the output stage

    def period(self, k, permille=0):
        """A place on the clock's grid, from the beginning of a burst."""
        part = Fraction(1000 * k + permille, 1000)
        return (part * 10**9 / self.spec.output.clock_hz).__floor__()

    def begin_burst(self, payload):
        """The clock starts."""
        output = self.spec.output
        burst = Burst(bytes(payload), self.now)
        burst.first_bit_ns = self.now + self.period(0, output.rise_permille)
        self.settle_latch(burst.first_bit_ns)
        self.running = burst
        number, self.bursts = self.bursts, self.bursts + 1
        burst.number = number
        complete = self.now + self.period(output.clocks)
        if output.stop == "interrupt":
            self.at(complete, ENDS, self.complete_bursts)
        else:
            late = 0
            if output.stop == "dma":
                late = output.stop_latency_ns + self.jitter(number)
            stop = complete + late
            self.at(stop, ENDS, lambda: self.stop_clock(stop))

    def complete_bursts(self):
        """Every word has been moved; somebody has to stop the clock."""
        self.complete_pending = True
        self.wake()

    def stop_clock(self, stop_ns):
        """The clock stands still: count what came out."""
        output = self.spec.output
        burst, self.running = self.running, None
        burst.stop_ns = stop_ns
        complete = burst.begin_ns + self.period(output.clocks)
        late = stop_ns - complete
        period = Fraction(10**9, output.clock_hz)
        rise = period * output.rise_permille / 1000
        periods = extra = 0
        while (periods + 1) * period <= late:
            periods += 1
        while extra * period + rise <= late:
            extra += 1
        high = extra > periods
        near = periods * period + rise - late <= output.runt_ns
        burst.clocks = output.clocks + extra
        if output.stop != "count":
            burst.marginal = int(high or near)
        burst.end_ns = stop_ns if high else complete + self.period(periods)
        self.unlatched = burst
        self.resting = True
        # The stop may come a little after the end of the burst; what the kept gap
        # counts from is the end.
        free = max(self.now, burst.end_ns + output.kept_gap_ns)
        self.at(free, ENDS, self.rested)

    def rested(self):
        """The kept gap has passed."""
        self.resting = False
        self.free_words += 1
        self.wake()

    def settle_latch(self, next_clock_ns):
        """Whether the last burst was latched before the next clock came."""
        burst = self.unlatched
        if burst is None:
            return
        latched = burst.end_ns + self.spec.output.latch_gap_ns
        if next_clock_ns is None and latched >= self.until_ns:
            return
        shown = latched
        if next_clock_ns is not None and next_clock_ns < latched:
            shown = -1
        self.unlatched = None
        data = self.shift(burst)
        self.result.shown.append(
            (
                burst.begin_ns,
                burst.first_bit_ns,
                burst.end_ns,
                shown,
                burst.clocks,
                burst.marginal,
            )
        )
        self.result.data.append(data)
        self.result.edges += self.edges(burst)

    def edges(self, burst):
        """What the pins did: words (0), rises (1) and falls (2), in order of time."""
        output, begin = self.spec.output, burst.begin_ns
        done = begin + self.period(output.clocks)
        rows = []
        for k in range(output.clocks):
            moved = begin + self.period(k) + self.transfer(burst.number, k)
            rows.append((moved, burst.number, 0))
        for k in range(burst.clocks):
            start, place = begin, k
            if k >= output.clocks:
                start, place = done, k - output.clocks
            rows.append(
                (start + self.period(place, output.rise_permille), burst.number, 1)
            )
            fall = min(start + self.period(place + 1), burst.stop_ns)
            rows.append((fall, burst.number, 2))
        return sorted(rows, key=lambda row: (row[0], row[2]))

    def shift(self, burst):
        """Rearrange into port words, clock them out, and read the chains."""
        output = self.spec.output
        size = output.lane_octets
        words = []
        for bit in range(output.clocks):
            word = 0
            for lane in range(output.lanes):
                octet = burst.payload[lane * size + bit // 8]
                place = 7 - bit % 8 if output.msb_first else bit % 8
                word |= ((octet >> place) & 1) << lane
            words.append(word)
        words += [words[-1]] * (burst.clocks - output.clocks)
        chain = words[-output.clocks :]
        out = bytearray()
        for lane in range(output.lanes):
            for start in range(0, output.clocks, 8):
                octet = 0
                for k in range(8):
                    place = 7 - k if output.msb_first else k
                    octet |= ((chain[start + k] >> lane) & 1) << place
                out.append(octet)
        return bytes(out)
