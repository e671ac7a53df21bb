"""Clocked outputs of the node's plain twin: by DMA, by timer, by shifters."""

from __future__ import annotations

from fractions import Fraction

from twins.node_twin_output import NS_PER_S, Clocked
from twins.node_twin_rows import ALL_LANES, FALL, RISE, WORD


class ByDma(Clocked):
    """Port words that DMA moves at the rollovers of a timer, which is the clock."""

    def start(self):
        """The clock runs; everything but its stop is certain."""
        burst, spec = self.burst, self.spec
        self.lead = -(-spec.lead_ns * spec.clock_hz // NS_PER_S)
        self.move_words()
        self.sent = self.bits(burst.payload)
        burst.first_bit_ns = self.rise(0)
        self.at(burst.first_bit_ns, self.first_bit)
        if spec.stolen_ns:
            for k in range(self.lead, self.lead + spec.clocks):
                self.at(self.rollover(k), self.node.foreground.steal)
        complete_ns = self.rollover(self.periods)
        if spec.stop == "interrupt":
            self.at(complete_ns, self.node.processor.complete)
            return
        late_ns = 0
        if spec.stop == "dma":
            late_ns = spec.stop_latency_ns + self.node.jitter(burst.number)
        self.at(complete_ns + late_ns, self.stop)

    def rollover(self, k):
        """A rollover of the timer."""
        return self.burst.begin_ns + self.period(k)

    def move_words(self):
        """When each word moves, and how many periods there are up to rollover W."""
        spec, number = self.spec, self.burst.number
        self.moves = []
        rollover, most = self.lead, self.lead + spec.clocks
        while len(self.moves) < spec.clocks:
            if spec.stop == "count" and rollover == most:
                break
            ns = self.rollover(rollover)
            if not self.moves or self.moves[-1] <= ns:
                late_ns = self.node.transfer(number, len(self.moves))
                self.moves.append(ns + late_ns)
            else:
                self.node.result.notes["skipped"] += 1
            rollover += 1
        self.periods = most if spec.stop == "count" else rollover
        self.periods += self.node.spec.quirks.clock_bias

    def edge(self, k, part):
        """The rise or the fall of the clock of a period, were it to run on."""
        begin_ns, place = self.burst.begin_ns, k
        if k >= self.periods:
            begin_ns, place = self.rollover(self.periods), k - self.periods
        return begin_ns + self.period(place, part)

    def rise(self, k):
        """The rise of period k."""
        return self.edge(k, self.spec.rise_permille)

    def fall(self, k):
        """The fall of period k, if the clock is not stopped first."""
        return self.edge(k, 1000)

    def word_taken(self, k):
        """The word that the rise of period k takes; None for the level before."""
        spec = self.spec
        late_ns = spec.transfer_jitter_ns + spec.setup_ns
        slow = late_ns >= self.period(0, spec.rise_permille)
        if slow or spec.transfer_jitter_ns > self.period(1):
            before_ns = self.rise(k) - spec.setup_ns
            moved = sum(move_ns < before_ns for move_ns in self.moves)
            notes = self.node.result.notes
            notes["previous bit"] += moved < min(k - self.lead + 1, spec.clocks)
            return moved - 1 if moved else None
        if k < self.lead:
            return None
        return min(k - self.lead, spec.clocks - 1)

    def shift_in(self, clocks):
        """So many clocks came."""
        words = [self.word_taken(k) for k in range(clocks)]
        for lane, bits in enumerate(self.sent):
            level = self.pins.level[lane]
            self.shift(lane, [level if w is None else bits[w] for w in words])

    def note_edges(self, clocks, until_ns):
        """What the pins did, the clock being stopped at `until_ns`."""
        edges = self.burst.edges
        edges += [(ns, WORD, ALL_LANES) for ns in self.moves]
        for k in range(clocks):
            edges.append((self.rise(k), RISE, ALL_LANES))
            edges.append((min(self.fall(k), until_ns), FALL, ALL_LANES))

    def handled(self):
        """The handler stops the clock."""
        self.stop()

    def stop(self):
        """The clock stands still from now on: count what came out."""
        spec, burst, now = self.spec, self.burst, self.node.now
        done_ns = self.rollover(self.periods)
        late_ns = now - done_ns
        period = Fraction(NS_PER_S, spec.clock_hz)
        rise = period * spec.rise_permille / 1000
        falls = extra = 0
        while (falls + 1) * period <= late_ns:
            falls += 1
        while extra * period + rise <= late_ns:
            extra += 1
        high = extra > falls
        near = falls * period + rise - late_ns <= spec.runt_ns
        marginal = int((high or near) and spec.stop != "count")
        clocks = self.periods + extra
        self.node.result.notes["leading"] += self.lead
        self.shift_in(clocks)
        self.note_edges(clocks, now)
        self.leave_level(burst)
        end_ns = now if high else done_ns + self.period(falls)
        self.give_back(self.end(end_ns, clocks, marginal))

    def cut_short(self, burst, now):
        """The clocks that rose before now."""
        clocks = 0
        while self.rise(clocks) < now:
            clocks += 1
        if clocks:
            last_ns = self.fall(clocks - 1)
            burst.clocks, burst.end_ns = clocks, min(last_ns, now)
            burst.marginal = int(now <= last_ns)
            self.shift_in(clocks)
            self.note_edges(clocks, now)
        return clocks > 0


class Ticks:
    """A timer, one interrupt a bit; mixed into what the bits are for."""

    def start(self):
        """The first tick comes at once."""
        self.moves = []
        self.handlers = 0
        self.tick(0)

    def tick(self, k):
        """Tick k, until the last handler is entered."""
        if self.handlers < self.spec.clocks:
            self.node.processor.tick()
            next_ns = self.burst.begin_ns + self.period(k + 1)
            self.at(next_ns, lambda: self.tick(k + 1))

    def entered(self):
        """A handler is entered."""
        self.handlers += 1

    def move(self):
        """The handler moves the next word."""
        self.moves.append(self.node.now)
        self.moved()
        self.burst.edges.append((self.node.now, WORD, ALL_LANES))
        if len(self.moves) == self.spec.clocks:
            self.at(self.node.now + self.node.spec.cost.bit_ns, self.stop)


class ByTimer(Ticks, Clocked):
    """A clock that the handler makes."""

    def moved(self):
        """The clock of this word."""
        burst, bit_ns = self.burst, self.node.spec.cost.bit_ns
        rise_ns = self.node.now + bit_ns // 2
        pause_ns = self.spec.latch_pause_ns
        if len(self.moves) == 1:
            self.told = 0  # clocks in rows
            self.sent = self.bits(burst.payload)
            burst.first_bit_ns = rise_ns
            self.first_bit()
        elif pause_ns is not None:
            fall_ns = self.moves[-2] + bit_ns
            if rise_ns - fall_ns >= pause_ns:
                self.latch_amid(fall_ns)
                burst.first_bit_ns = rise_ns
        for lane, bits in enumerate(self.sent):
            self.shift(lane, [bits[len(self.moves) - 1]])
        burst.edges.append((rise_ns, RISE, ALL_LANES))
        burst.edges.append((self.node.now + bit_ns, FALL, ALL_LANES))

    def latch_amid(self, fall_ns):
        """The chains have latched between two bits."""
        burst = self.burst
        burst.end_ns = fall_ns
        burst.clocks = len(self.moves) - 1 - self.told
        self.told += burst.clocks
        burst.data = self.held()
        self.tell(burst, fall_ns + self.spec.latch_pause_ns)
        self.tell_edges(burst)
        self.node.result.notes["latched amid"] += 1

    def stop(self):
        """The last fall."""
        self.leave_level(self.burst)
        self.give_back(self.end(self.node.now, len(self.moves) - self.told))

    def cut_short(self, burst, now):
        """The clocks whose word had moved; each is high from then on."""
        if not self.moves:
            return False
        fall_ns = self.moves[-1] + self.node.spec.cost.bit_ns
        burst.clocks = len(self.moves) - self.told
        burst.end_ns = min(now, fall_ns)
        burst.marginal = int(now <= fall_ns)
        return True


class ByPort(Clocked):
    """Hardware shifters, one lane after another."""

    in_words = False

    def start(self):
        """Lane 0 begins."""
        self.lane = 0
        self.lane_ns = self.burst.begin_ns
        self.sent = self.bits(self.burst.payload)
        self.burst.first_bit_ns = self.rise(0)
        self.at(self.rise(0), self.first_bit)
        self.begin_lane()

    def rise(self, k):
        """The rise of period k of the lane under way."""
        return self.lane_ns + self.period(k, self.spec.rise_permille)

    def fall(self, k):
        """Its fall."""
        return self.lane_ns + self.period(k + 1)

    def begin_lane(self):
        """A lane begins."""
        self.lane_ns = self.node.now
        self.at(self.fall(self.spec.clocks - 1), self.end_lane)

    def note_lane(self, clocks):
        """So many clocks of this lane came."""
        self.shift(self.lane, self.sent[self.lane][:clocks])
        for k in range(clocks):
            self.burst.edges.append((self.rise(k), RISE, self.lane))
            self.burst.edges.append((self.fall(k), FALL, self.lane))

    def end_lane(self):
        """A lane ends."""
        now, burst, spec = self.node.now, self.burst, self.spec
        self.note_lane(spec.clocks)
        burst.end_ns = now
        burst.first_end_ns = burst.first_end_ns or now
        self.lane += 1
        last = self.lane == spec.lanes
        if last:
            self.leave_level(burst)
            self.end(now, spec.clocks)
            self.ended = burst
        if spec.stop == "interrupt":
            self.node.processor.complete()
        elif last:
            self.give_back(burst)
        else:
            self.at(now + spec.lane_gap_ns, self.begin_lane)

    def handled(self):
        """The handler begins the next lane, or gives the output back."""
        if self.burst is None:
            self.give_back(self.ended)
        else:
            self.begin_lane()

    def cut_short(self, burst, now):
        """Lanes that have ended, and one of which some clocks have risen."""
        periods = range(self.spec.clocks) if self.under_way() else ()
        clocks = sum(self.rise(k) < now for k in periods)
        if clocks:
            last_ns = self.fall(clocks - 1)
            burst.clocks, burst.end_ns = clocks, min(last_ns, now)
            burst.marginal = int(now <= last_ns)
            self.note_lane(clocks)
        elif self.lane:
            burst.clocks = self.spec.clocks
        if self.lane:
            burst.skew_ns = burst.end_ns - burst.first_end_ns
        return clocks > 0 or self.lane > 0

    def under_way(self):
        """Whether the next lane has begun."""
        return self.lane == 0 or self.lane_ns >= self.burst.end_ns
