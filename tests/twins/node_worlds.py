"""Small random worlds for the simulated node: a board, and a line full of trouble.

Everything is drawn from one seed, so that a world that shows a difference can be made
again.  Numbers are chosen so that things coincide: costs are simple parts of a
character's time, and gaps lie just around the limits.
"""

from __future__ import annotations

import random
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from twins.node_twin import Character

from bench.base.columns import FLAW, RUN, Line
from bench.base.grid import NS_PER_S, Grid
from bench.node.spec import NO_LIMIT, CostSpec, NodeSpec, OutputSpec, UartSpec
from bench.wire.checks import Check
from bench.wire.format import (
    CheckRule,
    Delimiter,
    Delimiting,
    Format,
    Layout,
    Number,
    Stuffing,
    Unstuffing,
)
from bench.wire.packets import build, encode

if TYPE_CHECKING:
    from collections.abc import Sequence

OWN, NEAR, BROADCAST = 3, 0x13, 9
STUFFED = {
    "cobs": (b"\x00", Unstuffing(Stuffing.COBS)),
    "slip": (
        b"\xc0",
        Unstuffing(Stuffing.ESCAPE, 0xDB, ((0xDC, 0xC0), (0xDD, 0xDB))),
    ),
    "hdlc": (b"\x7e", Unstuffing(Stuffing.FLIP, 0x7D, (), (0x7D, 0x7E))),
    "none": (b"\x0a", Unstuffing()),
}
KINDS = (Delimiter.MARKER, Delimiter.OCTET, Delimiter.SILENCE, Delimiter.BREAK)
SPICE = (0x00, 0x0A, 0xC0, 0xDB, 0xDC, 0x7E, 0x7D, 0xA5, 0x5A, 0x77)


@dataclass
class World:
    """One node and all that happens on its line until `end_ns`."""

    seed: int
    spec: NodeSpec
    end_ns: int = 0
    octets: bytearray = field(default_factory=bytearray)
    starts: list[int] = field(default_factory=list)
    runs: list[tuple[int, int, int]] = field(default_factory=list)
    flaws: dict[int, tuple[int, int]] = field(default_factory=dict)
    resets: list[int] = field(default_factory=list)

    def characters(self) -> list[Character]:
        """The line as the twin takes it."""
        return [
            Character(k, start, octet, *self.flaws.get(k, (0, 0)))
            for k, (octet, start) in enumerate(
                zip(self.octets, self.starts, strict=True)
            )
        ]

    def steps(
        self, cuts: list[int], early: random.Random | None = None
    ) -> list[Line | int]:
        """The line in chunks, cut before the characters named, and the resets.

        A chunk ends at the instant of a reset, and characters that start at it or later
        belong to the next one.  Others end where the next character starts, or with
        `early` anywhere after the start of their last.
        """
        steps: list[Line | int] = []
        first = 0
        for until_ns in [*self.resets, self.end_ns]:
            end = bisect_left(self.starts, until_ns)
            inside = [cut for cut in sorted(cuts) if first <= cut <= end]
            for a, b in pairwise([first, *inside, end]):
                chunk_ns = until_ns if b == end else self.starts[b]
                if early and a < b < end:
                    chunk_ns = early.randint(self.starts[b - 1] + 1, chunk_ns)
                steps.append(self._chunk(a, b, chunk_ns))
            steps.append(until_ns)
            first = end
        return steps[:-1]

    def _chunk(self, first: int, end: int, until_ns: int) -> Line:
        runs = []
        if first < end:
            firsts = [run[0] for run in self.runs]
            at, ns, rem = self.runs[bisect_right(firsts, first) - 1]
            runs.append((0, *self.spec.pitch.after(first - at, ns, rem)))
            runs += [
                (at - first, ns, rem) for at, ns, rem in self.runs if first < at < end
            ]
        flaws = [
            (at - first, length, kind)
            for at, (kind, length) in sorted(self.flaws.items())
            if first <= at < end
        ]
        return Line(
            np.frombuffer(bytes(self.octets[first:end]), np.uint8).copy(),
            np.array(runs, RUN),
            np.array(flaws, FLAW),
            first,
            until_ns,
        )


class Writer:
    """Puts characters on the line of a world."""

    addresses = (*[OWN] * 4, BROADCAST, 4, NEAR, 17)

    def __init__(self, world: World, draw: random.Random) -> None:
        self.world = world
        self.draw = draw
        self.ns, self.rem = draw.randint(0, 5000), 0
        self.in_run = False
        size = world.spec.payload_octets
        self.sizes = [*[size] * 4, size + 1, 0]

    def put(self, octet: int, kind: int = 0, length_ns: int = 0) -> None:
        """One character, flawed or not; a break may last longer than one."""
        world = self.world
        if not self.in_run:
            world.runs.append((len(world.octets), self.ns, self.rem))
            self.in_run = True
        if kind:
            world.flaws[len(world.octets)] = (kind, length_ns)
        world.octets.append(octet)
        world.starts.append(self.ns)
        self.ns, self.rem = world.spec.pitch.after(1, self.ns, self.rem)
        if length_ns:
            self.ns, self.rem, self.in_run = world.starts[-1] + length_ns, 0, False

    def gap(self, ns: int) -> None:
        """Idle time."""
        self.ns, self.rem, self.in_run = self.ns + ns + 1, 0, False

    def packet(self) -> None:
        """A packet, sound or not, for this node or not."""
        draw, spec = self.draw, self.world.spec
        layout = spec.packet.layout
        address = draw.choice(self.addresses)
        size = draw.choice(self.sizes)
        if layout.least == layout.most:
            size = layout.least
        payload = bytes(draw.choice((draw.randrange(256), *SPICE)) for _ in range(size))
        try:
            raw = build(
                spec.packet,
                address=None if layout.address is None else address,
                payload=payload,
                check_xor=draw.choice([0] * 6 + [1]),
            )
        except ValueError:
            return
        if draw.random() < 0.1 and len(raw) > 1:
            raw = raw[:-1] + bytes([raw[-1] ^ 0x11])
        octets = encode(spec.packet, raw)
        if draw.random() < 0.06:
            octets = octets[: draw.randint(0, len(octets))]
        character_ns = spec.uart.character_ns
        if spec.packet.delimiting.kind == Delimiter.BREAK:
            self.put(0, 3, draw.choice([1, 2, 5]) * character_ns)
            self.gap(draw.choice([0, character_ns]))
        odds = draw.choice([0, 0, 0.01])
        for place, octet in enumerate(octets):
            flaw = draw.choice([1, 2]) if draw.random() < odds else 0
            self.put(octet, flaw or self.mark(place))
            if draw.random() < odds:
                self.gap(draw.choice([1, character_ns, 20_000, 50_000, 100_000]))
        if spec.packet.delimiting.kind == Delimiter.SILENCE:
            silence_ns = spec.packet.delimiting.silence_ns or 0
            self.gap(draw.choice([1, 1, 2, 4]) * silence_ns // 2)

    def mark(self, _place: int) -> int:
        """Whether the character at some place of a packet is marked: its flaw."""
        return 0

    def trouble(self) -> None:
        """Anything that is no packet."""
        draw = self.draw
        character_ns = self.world.spec.uart.character_ns
        what = draw.random()
        if what < 0.4:
            for _ in range(draw.randint(1, 8)):
                self.put(draw.choice((draw.randrange(256), *SPICE)))
        elif what < 0.5:
            self.put(0, 3, draw.choice([1, 3]) * character_ns)
        elif what < 0.6:
            self.put(draw.randrange(256), draw.choice([1, 2]))
        else:
            gaps = (1, character_ns // 2, character_ns, 5 * character_ns)
            self.gap(draw.choice([*gaps, 16_000, 35_000, 70_000, 200_000]))


def make_world(seed: int, *, long: bool = False) -> World:
    """A world; a long one has packets that last many interrupts, and less trouble."""
    draw = random.Random(seed)
    spec = _spec(draw, long)
    world = World(seed, spec)
    writer = Writer(world, draw)
    for _ in range(draw.randint(1, 14)):
        if draw.random() < (0.85 if long else 0.6):
            writer.packet()
        else:
            writer.trouble()
    character_ns = spec.uart.character_ns
    world.end_ns = int(writer.ns) + draw.choice([0, character_ns, 100_000, 1_000_000])
    return world


# --- boards ---------------------------------------------------------------------------


def _spec(draw: random.Random, long: bool) -> NodeSpec:
    lanes = draw.choice([1, 2, 3, 8, 9])
    lane_octets = draw.choice([8, 20, 40] if long else [1, 1, 2, 3])
    packet = format_of(draw, lanes * lane_octets)
    pitch = Grid.of_rate(
        draw.choice([4_000_000, 3_000_000, 1_000_000, 250_000, 6_000_000, 4_000_037]),
        10,
    )
    return NodeSpec(
        index=draw.choice([0, 3]),
        address=OWN,
        pitch=pitch,
        packet=packet,
        resync=draw.choice(["forward", "timeout", "rescan"]),
        uart=uart_of(draw, packet, pitch.at(1)),
        cost=cost_of(draw, pitch.at(1), lanes * lane_octets),
        output=_output(draw, pitch.at(1), lanes, lane_octets),
    )


def format_of(
    draw: random.Random, payload: int, kinds: Sequence[Delimiter] = KINDS
) -> Format:
    """A packet format, for a payload of so many octets that fills the lanes."""
    kind = draw.choice(kinds)
    silence_ns = draw.choice([None, None, 40_000, 90_000])
    pause_ns = draw.choice([None, None, 15_000, 30_000])
    marker, leading, unstuffing = b"", False, Unstuffing()
    if kind == Delimiter.SILENCE:
        silence_ns = silence_ns or 60_000
    elif kind == Delimiter.MARKER:
        marker = draw.choice([b"\xa5", b"\xa5\x5a", b"\xa5\xa5\x5a"])
    elif kind == Delimiter.OCTET:
        name = draw.choice(sorted(STUFFED))
        marker, unstuffing = STUFFED[name]
        leading = name in ("slip", "hdlc")
    delimiting = Delimiting(
        kind, marker, leading, silence_ns, pause_ns, draw.random() < 0.8
    )
    start = len(marker) if kind == Delimiter.MARKER else 0
    return Format(delimiting, unstuffing, _layout(draw, kind, start, payload))


def _layout(draw: random.Random, kind: Delimiter, start: int, payload: int) -> Layout:
    head, address, length, check, literals = start, None, None, None, ()
    if draw.random() < 0.9:
        address, head = Number(head, 1, "big"), head + 1
    if draw.random() < 0.6:
        order = draw.choice(["big", "little"])
        length, head = Number(head, 2, order), head + 2
    if draw.random() < 0.2:
        literals, head = ((head, b"\x77"),), head + 1
    name = draw.choice(["none", "CRC-8/SMBUS", "CRC-16/MODBUS", "xor-8", "fletcher-16"])
    tail = 0
    if draw.random() < 0.2:
        literals, tail = (*literals, (-1, b"\x5a")), 1
    if name != "none":
        algorithm = Check.named(name)
        tail += algorithm.size
        where = Number(-tail, algorithm.size, draw.choice(["big", "little"]))
        check = CheckRule(algorithm, where, start, -tail)
    fixed = length is None and (kind == Delimiter.MARKER or draw.random() < 0.3)
    return Layout(
        head,
        tail,
        payload if fixed else 0,
        payload if fixed else payload + draw.choice([0, 3]),
        literals,
        address,
        draw.choice([0xFF, 0xFF, 0xFF, 0x0F]),
        draw.choice([(), (BROADCAST,)]),
        None,
        length,
        0 if length is None else draw.choice([0, head + tail]),
        check,
    )


def uart_of(draw: random.Random, packet: Format, character_ns: int) -> UartSpec:
    """A receiver that notices the silences that its packets need."""
    fifo = draw.choice([1, 2, 4, 8])
    timeouts = (None, 2 * character_ns, 4 * character_ns + 1, character_ns // 2 + 7)
    uart = UartSpec(
        fifo=fifo,
        trigger=draw.randint(1, fifo),
        fires=draw.choice(["level", "level", "transition"]),
        idle_timeout_ns=draw.choice([*timeouts, 10 * character_ns]),
        restart_on_read=draw.random() < 0.2,
        idle_on_empty=draw.random() < 0.3,
        overrun=draw.choice(["drop", "drop", "hold", "overwrite", "stall"]),
        ready_ns=min(
            character_ns - 1, int(character_ns * draw.choice([0.92, 0.95, 0.99, 1]))
        ),
        character_ns=character_ns,
    )
    silence_ns = packet.delimiting.silence_ns
    if packet.delimiting.kind == Delimiter.SILENCE and silence_ns is not None:
        timeout_ns = silence_ns + character_ns
        uart = replace(uart, idle_timeout_ns=timeout_ns, idle_on_empty=True)
    return uart


def cost_of(draw: random.Random, character_ns: int, payload: int) -> CostSpec:
    """What work costs: simple parts of a character's time."""
    part_ns = draw.choice([character_ns // k for k in (16, 8, 4, 2, 1)])
    return CostSpec(
        entry_ns=draw.choice([0, part_ns // 3, part_ns, 2 * part_ns]),
        exit_ns=draw.choice([0, part_ns // 2, part_ns]),
        body_limit=draw.choice([NO_LIMIT, 1, 2, 4]),
        per_character_ns=max(1, draw.choice([1, 2, 4, 4, 8]) * part_ns // 4),
        per_packet_ns=draw.choice([0, 0, part_ns]),
        rearrange_ns=draw.choice([0, part_ns, 10 * part_ns, payload * part_ns]),
        start_output_ns=draw.choice([0, 0, part_ns]),
        receive_buffers=draw.choice([1, 2, 3]),
        word_buffers=draw.choice([1, 2, 3]),
        drop_without_words=draw.random() < 0.3,
    )


def _output(
    draw: random.Random, character_ns: int, lanes: int, lane_octets: int
) -> OutputSpec:
    clock_hz = draw.choice([250_000, 1_000_000, 3_000_000, 777_777])
    period_ns = NS_PER_S // clock_hz
    stop = draw.choice(["dma", "dma", "interrupt", "interrupt", "count"])
    latency_ns = draw.choice(
        [0, period_ns // 4, period_ns // 2 - 3, period_ns // 2, 2 * period_ns]
    )
    if stop == "interrupt":
        latency_ns = draw.choice([latency_ns, 4 * character_ns, 15 * character_ns])
    return OutputSpec(
        lanes=lanes,
        lane_octets=lane_octets,
        word_octets=1 if lanes <= 8 else 2,
        msb_first=draw.random() < 0.5,
        clocks=8 * lane_octets,
        clock_hz=clock_hz,
        rise_permille=draw.choice([500, 250, 750, 333]),
        stop=stop,
        stop_latency_ns=0 if stop == "count" else latency_ns,
        stop_jitter_ns=draw.choice([0, period_ns // 3]) if stop == "dma" else 0,
        transfer_jitter_ns=draw.choice([0, period_ns // 5]),
        runt_ns=draw.choice([0, 20]),
        latch_gap_ns=draw.choice([1, 5, 40, 100]) * period_ns,
        kept_gap_ns=draw.choice([1, 5, 20]) * period_ns,
    )
