"""What all outputs of the node's plain twin share: pins, rest, latch, rows."""

from __future__ import annotations

from twins.node_twin_rows import ENDS, Burst

NS_PER_S = 10**9


class Pins:
    """What a reset does not touch: chains, levels of the lanes, and the count."""

    def __init__(self, spec):
        output = spec.output
        self.bursts = 0
        self.level = [0] * output.lanes
        if output.signal == "uart":
            self.held = bytes(spec.payload_octets)
        else:
            self.chains = [[0] * output.clocks for _ in range(output.lanes)]
        empty = bytes(spec.payload_octets)
        self.buffers = [empty] * spec.cost.receive_buffers


class Output:
    """A burst that runs, one that is not latched yet, or neither."""

    def __init__(self, node):
        self.node = node
        self.spec = node.spec.output
        self.pins = node.pins
        self.at_rest = True
        self.burst = None  # that runs
        self.unlatched = None  # that has ended

    def period(self, k, permille=0):
        """A place on the clock's grid, from a beginning."""
        return (1000 * k + permille) * NS_PER_S // (1000 * self.spec.clock_hz)

    def at(self, ns, action):
        """What ends later, if this burst still runs."""
        burst = self.burst
        self.node.at(ns, ENDS, lambda: action() if self.burst is burst else None)

    def runs(self):
        """Whether a burst runs, from its beginning until the clock stands still."""
        return self.burst is not None

    # --- the life of a burst; `start` and `cut_short` are each output's own

    def begin(self, payload, received):
        """A burst begins."""
        number = self.pins.bursts
        self.pins.bursts += 1
        self.at_rest = False
        self.burst = Burst(bytes(payload), received, self.node.now, number)
        self.start()

    def first_bit(self):
        """The first bit of the burst has come: what that is for the one before."""
        self.settle(self.burst.first_bit_ns)

    def end(self, end_ns, clocks, marginal=0):
        """The clock stands still now; the burst ended at `end_ns`."""
        burst, self.burst = self.burst, None
        burst.end_ns = end_ns
        burst.first_end_ns = burst.first_end_ns or end_ns
        burst.skew_ns = end_ns - burst.first_end_ns
        burst.clocks, burst.marginal = clocks, marginal
        burst.data = self.held()
        self.unlatched = burst
        return burst

    def give_back(self, burst):
        """When the kept gap after the end of a burst has passed, and not before now."""
        free_ns = max(self.node.now, burst.end_ns + self.spec.kept_gap_ns)
        self.node.at(free_ns, ENDS, lambda: self.rest(burst))

    def rest(self, burst):
        """The kept gap has passed."""
        self.at_rest = True
        self.node.foreground.rested(burst.received)
        self.node.processor.wake()

    # --- rows

    def settle(self, next_bit_ns, edges_until_ns=None):
        """Whether the last burst was latched before the next one's first bit."""
        burst, self.unlatched = self.unlatched, None
        if burst is None:
            return
        gap_ns = self.spec.latch_gap_ns
        if next_bit_ns is not None and next_bit_ns < burst.first_end_ns + gap_ns:
            self.tell(burst, -1)
        else:
            self.tell(burst, burst.end_ns + gap_ns)
        self.tell_edges(burst, edges_until_ns)

    def tell(self, burst, shown_ns):
        """A row for a burst."""
        row = (burst.begin_ns, burst.first_bit_ns, burst.end_ns, shown_ns)
        row += (burst.clocks, burst.marginal, burst.skew_ns)
        self.node.result.shown.append(row)
        self.node.result.data.append(burst.data)

    def tell_edges(self, burst, until_ns=None):
        """Rows for what the pins did."""
        rows = [(ns, burst.number, kind, lane) for ns, kind, lane in burst.edges]
        if until_ns is not None:
            rows = [row for row in rows if row[0] < until_ns]
        rows.sort(key=lambda row: (row[0], row[2], row[3]))
        self.node.result.edges += rows
        burst.edges.clear()

    def finish(self):
        """Nobody looks any further: what is certain of the last burst."""
        burst, gap_ns = self.unlatched, self.spec.latch_gap_ns
        if burst is None:
            return
        coming_ns = None if self.burst is None else self.burst.first_bit_ns
        # Whether or not a reset keeps the next burst's first bit from coming.
        certain = coming_ns is not None and coming_ns >= burst.first_end_ns + gap_ns
        if certain or burst.end_ns + gap_ns < self.node.until_ns:
            self.settle(None)

    def cut(self):
        """A reset; returns the packet of whose burst no bit had come, in a list."""
        burst = self.burst
        self.settle(None, self.node.now)
        if burst is None:
            return []
        if not self.cut_short(burst, self.node.now):
            self.pins.bursts -= 1
            return [] if burst.received is None else [burst.received]
        self.node.result.notes["cut"] += 1
        burst.data = self.held()
        self.tell(burst, burst.end_ns + self.spec.latch_gap_ns)
        self.tell_edges(burst, self.node.now)
        return []


class Clocked(Output):
    """Chains that shift in a bit at every clock."""

    in_words = True  # whether the processor makes port words of a payload

    def bits(self, payload):
        """What each lane sends, bit by bit."""
        size, lanes = self.spec.lane_octets, []
        quirks = self.node.spec.quirks
        turned = self.in_words and quirks.lane_turned
        msb_first = self.spec.msb_first != (self.in_words and quirks.bits_turned)
        order = range(self.spec.lanes)
        for lane in reversed(order) if turned else order:
            bits = []
            for octet in payload[lane * size : (lane + 1) * size]:
                eight = [octet >> place & 1 for place in range(8)]
                bits += reversed(eight) if msb_first else eight
            lanes.append(bits)
        return lanes

    def shift(self, lane, bits):
        """A lane's chain holds the last bits that were clocked."""
        chain = self.pins.chains[lane] + bits
        self.pins.chains[lane] = chain[-self.spec.clocks :]

    def held(self):
        """What the chains hold, as octets."""
        out = bytearray()
        for chain in self.pins.chains:
            for at in range(0, len(chain), 8):
                eight = chain[at : at + 8]
                if self.spec.msb_first:
                    eight.reverse()
                out.append(sum(bit << place for place, bit in enumerate(eight)))
        return bytes(out)

    def leave_level(self, burst):
        """What a burst leaves on the lanes: the last word's level."""
        self.pins.level = [bits[-1] for bits in self.bits(burst.payload)]
