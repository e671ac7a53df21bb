"""Small random worlds for the whole node: every way in, every way out, resets.

As `node_worlds`, whose line and whose boards' common parts are used.  Clock rates are
simple parts of what an interrupt or a character takes, or a little more or less, and
resets come just where something happens.
"""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import permutations

from twins.node_twin import NodeTwin
from twins.node_worlds import (
    BROADCAST,
    KINDS,
    NEAR,
    OWN,
    World,
    Writer,
    cost_of,
    format_of,
    uart_of,
)

from bench.base.grid import NS_PER_S, Grid
from bench.node.spec import CostSpec, NodeSpec, OutputSpec, ReceiveSpec, UartSpec
from bench.wire.format import Delimiter, Format

ADDRESS = 4
OUTPUTS = (
    *[("dma", "clocked")] * 3,
    *[("timer", "clocked")] * 2,
    *[("port", "clocked")] * 2,
    ("timer", "uart"),
    ("dma", "uart"),
    ("uart", "uart"),
)
PRIORITIES = list(permutations(("receive", "bit", "complete")))


class WholeWriter(Writer):
    """Marks addresses, and sends what shared packets and syncs need."""

    def __init__(self, world: World, draw: random.Random) -> None:
        super().__init__(world, draw)
        spec = world.spec
        self.by_mark = spec.packet.delimiting.kind == Delimiter.NINTH
        if draw.random() < 0.7:  # most of them shown
            self.addresses = (*[OWN] * 6, BROADCAST, 4)
            self.sizes += [spec.payload_octets] * 10
        if spec.on_sync:
            self.addresses = (*[OWN] * 3, *[BROADCAST] * 3, 4, NEAR)
        if spec.window is not None:
            most = spec.packet.layout.most
            needs = spec.window + spec.payload_octets
            self.sizes = [*[needs] * 3, *[most] * 3, needs - 1, 0]

    def mark(self, place: int) -> int:
        """The first of a packet, where that begins it; rarely another one."""
        marked = place == 0 if self.by_mark else self.draw.random() < 0.003
        return ADDRESS if marked else 0

    def trouble(self) -> None:
        """An address without a packet, too."""
        if self.by_mark and self.draw.random() < 0.3:
            self.put(self.draw.choice([OWN, BROADCAST, NEAR, 4, 17]), ADDRESS)
        else:
            super().trouble()


def make_whole_world(seed: int, *, long: bool = False) -> World:
    """A world; a long one has packets that last many interrupts, and less trouble."""
    draw = random.Random(f"whole {seed}")
    spec = _spec(draw, long)
    world = World(seed, spec)
    writer = WholeWriter(world, draw)
    for _ in range(draw.randint(1, 12) + 8 * spec.on_sync):
        if draw.random() < (0.85 if long else 0.7):
            writer.packet()
        else:
            writer.trouble()
    character_ns = spec.uart.character_ns
    after = [0, character_ns, 50_000, 200_000, spec.blackout_ns or 100_000]
    world.end_ns = int(writer.ns) + draw.choice(after)
    if draw.random() < 0.25:
        world.resets = _resets(draw, world)
    return world


def _resets(draw: random.Random, world: World) -> list[int]:
    """Instants at which something happens, or just before or after it."""
    result = NodeTwin(world.spec, world.characters(), world.end_ns).run()
    times = [ns for row in result.shown for ns in row[:4]]
    times += draw.sample(result.edges, min(8, len(result.edges)))
    times = [ns if isinstance(ns, int) else ns[0] for ns in times]
    times += [row[0] for row in result.dropped] + [row[1] for row in result.lost]
    times += [ns for row in result.interrupts[-9:] for ns in row[1:]]
    times += [draw.randint(0, world.end_ns) for _ in range(1 + len(times) // 2)]
    chosen = {
        draw.choice(times) + draw.choice([-1, 0, 0, 1])
        for _ in range(draw.choice([1, 1, 2]))
    }
    return sorted(ns for ns in chosen if 0 <= ns < world.end_ns)


# --- boards ---------------------------------------------------------------------------


def _spec(draw: random.Random, long: bool) -> NodeSpec:
    lanes = draw.choice([1, 2, 3, 8, 9, 12, 40])
    lane_octets = draw.choice([8, 12, 20] if long else [1, 1, 2, 3])
    if lanes > 9:
        lane_octets = min(lane_octets, 3)
    octets = lanes * lane_octets
    window = draw.randint(0, 5) if draw.random() < 0.15 else None
    on_sync = window is None and draw.random() < 0.3
    baud = draw.choice([4_000_000, 3_000_000, 1_000_000, 250_000, 6_000_000, 4_000_037])
    pitch = Grid.of_rate(baud, 10)
    packet = _format(draw, octets, window, on_sync)
    receive, uart = _receive(draw, packet, pitch.at(1))
    cost = _cost(draw, pitch.at(1), octets)
    if on_sync and draw.random() < 0.5:  # longer than a sync takes to come
        long_ns = draw.choice([1, 2]) * (octets + 12) * pitch.at(1)
        cost = replace(cost, rearrange_ns=long_ns, receive_buffers=3, word_buffers=2)
    darkens = draw.random() < 0.3
    dark_ns = draw.choice([5, 20, 40]) * pitch.at(1) + draw.choice([0, 1])
    return NodeSpec(
        index=draw.choice([0, 3]),
        address=OWN,
        pitch=pitch,
        packet=packet,
        resync=draw.choice(["forward", "forward", "timeout", "rescan"]),
        uart=uart,
        cost=cost,
        output=_output(draw, cost, pitch.at(1), (lanes, lane_octets)),
        receive=receive,
        window=window,
        on_sync=on_sync,
        blackout_ns=dark_ns if darkens else None,
        dark=draw.randbytes(octets) if darkens else b"",
    )


def _format(
    draw: random.Random, octets: int, window: int | None, on_sync: bool
) -> Format:
    """A format that has what the node needs, one in three by its ninth bit."""
    payload = octets if window is None else window + octets + draw.choice([0, 0, 4])
    kinds = [*KINDS, Delimiter.NINTH, Delimiter.NINTH]
    while True:
        packet = format_of(draw, payload, kinds)
        layout = packet.layout
        if window is not None and layout.address is not None:
            continue
        if on_sync and (layout.address is None or not layout.broadcast):
            continue
        return packet


def _receive(
    draw: random.Random, packet: Format, character_ns: int
) -> tuple[ReceiveSpec, UartSpec]:
    uart = uart_of(draw, packet, character_ns)
    if uart.idle_timeout_ns is None and draw.random() < 0.7:
        uart = replace(uart, idle_timeout_ns=2 * character_ns)
    addressed = packet.layout.address is not None
    if packet.delimiting.kind == Delimiter.NINTH and addressed:
        uart = replace(uart, mute=draw.random() < 0.6)
    method = draw.choice(["interrupt", "poll", "dma"])
    if method == "poll":
        parts = [character_ns // k for k in (8, 4, 2, 1)]
        pass_ns = draw.choice([*parts, character_ns + 1, 3 * character_ns])
        return ReceiveSpec("poll", pass_ns=pass_ns), uart
    if method == "interrupt":
        return ReceiveSpec(), uart
    ring = draw.choice([2, 4, 5, 8, 8, 16, 33])
    uart = replace(
        uart,
        fifo=ring - 1,
        trigger=1,
        fires="transition",
        overrun="drop",
        restart_on_read=False,
    )
    late_ns = draw.choice([0, 1, character_ns // 2, character_ns - 1])
    half = draw.random() < 0.8
    return ReceiveSpec("dma", 0, ring, half, late_ns), uart


def _cost(draw: random.Random, character_ns: int, octets: int) -> CostSpec:
    cost = cost_of(draw, character_ns, octets)
    faster = draw.choice([1, 2, 4, 8])  # most get on with the line then
    part_ns = character_ns // draw.choice([16, 8, 4, 2])
    masked = [0, 0, part_ns, character_ns, 5 * character_ns, 12 * character_ns]
    start_ns = draw.choice([cost.start_output_ns] * 3 + [5 * character_ns])
    return replace(
        cost,
        entry_ns=cost.entry_ns // faster,
        exit_ns=cost.exit_ns // faster,
        per_character_ns=max(1, cost.per_character_ns // faster),
        start_output_ns=start_ns,
        bit_ns=draw.choice([0, 1, part_ns, 2 * part_ns, character_ns]) // faster,
        masked_ns=draw.choice(masked),
        priority=draw.choice(PRIORITIES),
    )


def _output(
    draw: random.Random, cost: CostSpec, character_ns: int, size: tuple[int, int]
) -> OutputSpec:
    lanes, lane_octets = size
    method, signal = draw.choice(OUTPUTS)
    period_ns = max(50, _period_ns(draw, method, cost, character_ns))
    clock_hz = NS_PER_S // period_ns
    period_ns = NS_PER_S // clock_hz
    fits = [octets for octets in (1, 2, 4, 8, 16) if 8 * octets >= lanes]
    output = OutputSpec(
        lanes=lanes,
        lane_octets=lane_octets,
        word_octets=draw.choice([fits[0], fits[0], *fits]),
        msb_first=draw.random() < 0.5,
        clocks=(8 if signal == "clocked" else 10) * lane_octets,
        clock_hz=clock_hz,
        rise_permille=draw.choice([500, 250, 750, 333]),
        stop="count",
        stop_latency_ns=0,
        stop_jitter_ns=0,
        transfer_jitter_ns=0,
        runt_ns=draw.choice([0, 20]),
        latch_gap_ns=draw.choice([1, 5, 40, 100]) * period_ns,
        kept_gap_ns=draw.choice([1, 5, 20]) * period_ns,
        method=method,
        signal=signal,
        lane_hz=round(clock_hz * draw.choice([1, 1, 1.02, 0.97, 1.06, 0.9])),
    )
    if signal == "uart":
        late_ns = draw.choice([0, period_ns // 5, (period_ns - 1) // 2])
        stolen_ns = draw.choice([0, 1, period_ns // 4])
        if method != "dma" or 2 * late_ns * clock_hz >= NS_PER_S:
            late_ns = 0
        if method != "dma":
            stolen_ns = 0
        return replace(output, transfer_jitter_ns=late_ns, stolen_ns=stolen_ns)
    further = {"dma": _by_dma, "timer": _by_timer, "port": _by_port}
    return further[method](draw, output, (period_ns, character_ns, cost.bit_ns))


def _period_ns(
    draw: random.Random, method: str, cost: CostSpec, character_ns: int
) -> int:
    """The clock's period: for a timer from less than an interrupt takes on."""
    if method != "timer":
        return draw.choice([4000, 1000, 333, 1286, character_ns, character_ns // 4])
    handler_ns = cost.entry_ns + cost.bit_ns + cost.exit_ns
    around = [handler_ns // 2, handler_ns - 1, handler_ns, handler_ns + 1]
    return draw.choice([*around, 2 * handler_ns, 4 * handler_ns, character_ns, 4000])


def _by_dma(
    draw: random.Random, output: OutputSpec, times: tuple[int, int, int]
) -> OutputSpec:
    period_ns, character_ns, _ = times
    rise_ns = period_ns * output.rise_permille // 1000
    stop = draw.choice(["dma", "dma", "interrupt", "interrupt", "count"])
    half_ns = period_ns // 2
    latency_ns = draw.choice([0, half_ns // 2, half_ns - 3, half_ns, 2 * period_ns])
    if stop == "interrupt":
        latency_ns = draw.choice([latency_ns, 4 * character_ns, 15 * character_ns])
    late = [0, 0, period_ns // 5, rise_ns, 3 * period_ns // 2, 5 * period_ns // 2]
    return replace(
        output,
        stop=stop,
        stop_latency_ns=0 if stop == "count" else latency_ns,
        stop_jitter_ns=draw.choice([0, period_ns // 3]) if stop == "dma" else 0,
        transfer_jitter_ns=draw.choice(late),
        setup_ns=draw.choice([0, 0, period_ns // 4, rise_ns]),
        lead_ns=draw.choice([0, 0, 1, period_ns, 7 * period_ns // 2]),
        stolen_ns=draw.choice([0, 0, 1, period_ns // 4, period_ns]),
    )


def _by_timer(
    draw: random.Random, output: OutputSpec, times: tuple[int, int, int]
) -> OutputSpec:
    period_ns, character_ns, bit_ns = times
    steady_ns = period_ns + bit_ns // 2 - bit_ns  # from a fall to the next rise
    pause_ns = draw.choice(
        [steady_ns, steady_ns + 1, steady_ns + character_ns // 4, 2 * period_ns]
    )
    pause_ns = max(1, min(pause_ns, output.latch_gap_ns))
    pauses = [pause_ns, output.latch_gap_ns, output.latch_gap_ns, None]
    return replace(output, latch_pause_ns=draw.choice(pauses))


def _by_port(
    draw: random.Random, output: OutputSpec, times: tuple[int, int, int]
) -> OutputSpec:
    period_ns, character_ns, _ = times
    stop = draw.choice(["dma", "interrupt", "interrupt", "count"])
    latency_ns = draw.choice([0, period_ns // 2, 2 * period_ns, character_ns])
    return replace(
        output,
        stop=stop,
        stop_latency_ns=latency_ns if stop == "interrupt" else 0,
        lane_gap_ns=draw.choice([0, 1, period_ns // 3, period_ns, 5 * period_ns]),
    )
