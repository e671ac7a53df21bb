"""What the simulated node needs to know, as plain integers.

A `NodeSpec` is one node of a profile on the profile's bus, every quantity in
nanoseconds, octets or counts.  The kernel's records and the plain twin of the tests are
both made from it.  What the model does not simulate yet is refused here, in one line
each, and never ignored.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from bench.base.errors import Fault, ProfileError
from bench.base.grid import NS_PER_S
from bench.wire.format import Format, format_of

if TYPE_CHECKING:
    from bench.base.grid import Grid
    from bench.profile.model import Bus, Node, Output, Processor, Profile

NO_LIMIT = 1 << 40
"""More characters than one interrupt ever takes."""

MOST_CLOCKS = 1_000_000
"""Clocks in a burst; keeps every product of the output stage inside 64 bits."""


@dataclass(frozen=True, slots=True)
class UartSpec:
    """The receiver: see `bench.profile.model.Uart`, whose words the fields keep.

    Attributes:
        mute: Whether it drops what follows a foreign address by itself.
        ready_ns: From a character's start to its completion.
        character_ns: A character's time, rounded down.
    """

    fifo: int
    trigger: int
    fires: Literal["level", "transition"]
    idle_timeout_ns: int | None
    restart_on_read: bool
    idle_on_empty: bool
    overrun: Literal["drop", "hold", "overwrite", "stall"]
    ready_ns: int
    character_ns: int
    mute: bool = False


@dataclass(frozen=True, slots=True)
class ReceiveSpec:
    """How characters leave the receiver.

    Attributes:
        method: By interrupt, in a polled loop, or into a ring in memory by DMA.
        pass_ns: poll: one pass that finds nothing.
        ring: dma: octets of the ring, which holds one less.
        half: dma: whether the interrupt comes at the ring's half, too.
        arbitration_ns: dma: how much later a character arrives while a burst runs.
    """

    method: Literal["interrupt", "poll", "dma"] = "interrupt"
    pass_ns: int = 0
    ring: int = 0
    half: bool = False
    arbitration_ns: int = 0


@dataclass(frozen=True, slots=True)
class CostSpec:
    """What the processor's work costs, in ns; `body_limit` in characters.

    Attributes:
        bit_ns: The body of an output-bit interrupt.
        masked_ns: The first part of a foreground job in which no interrupt is entered.
        priority: Pending interrupts, the first served first.
    """

    entry_ns: int
    exit_ns: int
    body_limit: int
    per_character_ns: int
    per_packet_ns: int
    rearrange_ns: int
    start_output_ns: int
    receive_buffers: int
    word_buffers: int
    drop_without_words: bool
    bit_ns: int = 0
    masked_ns: int = 0
    priority: tuple[Literal["receive", "bit", "complete"], ...] = (
        "receive",
        "bit",
        "complete",
    )


@dataclass(frozen=True, slots=True)
class OutputSpec:
    """The output stage and its chains; `rise_permille` in thousandths of a period.

    Attributes:
        clocks: W: clocks, or on a UART lane bits, of one burst of one lane.
        clock_hz: The true rate of the lanes.
        latch_gap_ns: From the end of a burst to its being shown.
        kept_gap_ns: From the end of a burst to the output being given back.
        lane_hz: UART lanes: the rate that the far end expects.
        lead_ns: How long the clock runs before the first port word is asked for.
        latch_pause_ns: A pause inside a burst from which on the chains latch; none for
            chains that latch by a strobe.
    """

    lanes: int
    lane_octets: int
    word_octets: int
    msb_first: bool
    clocks: int
    clock_hz: int
    rise_permille: int
    stop: Literal["dma", "interrupt", "count"]
    stop_latency_ns: int
    stop_jitter_ns: int
    transfer_jitter_ns: int
    runt_ns: int
    latch_gap_ns: int
    kept_gap_ns: int
    method: Literal["dma", "timer", "port", "uart"] = "dma"
    signal: Literal["clocked", "uart"] = "clocked"
    lane_hz: int = 0
    setup_ns: int = 0
    lead_ns: int = 0
    stolen_ns: int = 0
    lane_gap_ns: int = 0
    latch_pause_ns: int | None = None


@dataclass(frozen=True, slots=True)
class QuirkSpec:
    """Numbers that make a node a bad one; each is neutral in one that is good.

    Attributes:
        keeps_error: Whether a look leaves an overrun error standing (`stall`).
        buffer_bias: Receive buffers that the node believes it has besides those that
            there are.
        payload_least: Octets of payload from which on it takes a packet, what its
            buffer held before standing after them; None: as many as fill the lanes.
        lane_turned: Whether the first lane gets what is for the last, and so on.
        bits_turned: Whether octets are shifted out the other way round.
        clock_bias: Periods of the clock more, or fewer, that it runs (`dma`).
        sequence_modulus: How far the packets' numbers go, it believes.
        sequence_most: How far a packet may be ahead of the last one it took, less one;
            it passes over others.
        packets_most: Sound packets after which it passes over all.
        errors_most: Bad packets after which it does.
        waiting_most: Packets that may wait to be rearranged; when one more does they
            all are forgotten.
    """

    keeps_error: bool = False
    buffer_bias: int = 0
    payload_least: int | None = None
    lane_turned: bool = False
    bits_turned: bool = False
    clock_bias: int = 0
    sequence_modulus: int = 1
    sequence_most: int = 1
    packets_most: int = NO_LIMIT
    errors_most: int = NO_LIMIT
    waiting_most: int = NO_LIMIT


@dataclass(frozen=True, slots=True)
class NodeSpec:
    """One node on its bus.

    Attributes:
        index: Its place in the profile.
        address: What it answers to.
        pitch: From one start bit to the next in an unbroken run.
        packet: The packet format.
        resync: How its parser finds the next packet after a bad one.
        uart: The receiver.
        cost: What the processor's work costs.
        output: The output stage.
        receive: How characters leave the receiver.
        window: Where in a shared payload its octets begin; None: it takes all of one.
        on_sync: Whether packets are shown on a sync.
        blackout_ns: Silence after which it darkens its lanes; None: it never does.
        dark: The payload of darkness; b"" where it never darkens.
        quirks: What is wrong with it.
    """

    index: int
    address: int
    pitch: Grid
    packet: Format
    resync: Literal["forward", "timeout", "rescan"]
    uart: UartSpec
    cost: CostSpec
    output: OutputSpec
    receive: ReceiveSpec = ReceiveSpec()
    window: int | None = None
    on_sync: bool = False
    blackout_ns: int | None = None
    dark: bytes = b""
    quirks: QuirkSpec = QuirkSpec()

    @property
    def payload_octets(self) -> int:
        """Octets of a payload that fills the lanes exactly."""
        return self.output.lanes * self.output.lane_octets


def node_specs(profile: Profile) -> list[NodeSpec]:
    """Every node of a profile, ready to be simulated.

    Raises:
        ProfileError: For all that the model does not simulate, all at once.
    """
    faults = _not_simulated(profile)
    if faults:
        raise ProfileError(faults)
    specs = [spec_of(profile, index) for index in range(len(profile.node))]
    return [
        _with_darkness(spec, node)
        for spec, node in zip(specs, profile.node, strict=True)
    ]


def spec_of(profile: Profile, index: int) -> NodeSpec:
    """One node in numbers, simulated or not, without the payload of its darkness.

    Args:
        profile: The profile.
        index: The node's place in it.
    """
    node = profile.node[index]
    return NodeSpec(
        index,
        node.address,
        profile.bus.pitch,
        format_of(profile.packet),
        node.processor.resync,
        _uart_spec(profile.bus, node.processor),
        _cost_spec(node),
        _output_spec(node.output),
        _receive_spec(node.processor),
        node.address - 1 if profile.packet.shared else None,
        node.processor.show == "sync",
        node.processor.blackout_after_ns,
    )


def _with_darkness(spec: NodeSpec, node: Node) -> NodeSpec:
    """The same node, the payload of its darkness put in."""
    if not spec.blackout_ns:
        return spec
    # Arrays are loaded only by who needs them: closed figures do without.
    from bench.profile.channels import dark_payload

    return replace(spec, dark=dark_payload(node))


def _uart_spec(bus: Bus, processor: Processor) -> UartSpec:
    uart = processor.uart
    character_ns = bus.character.at(1)
    before_stop = 1 + bus.data_bits + (bus.parity != "none")
    share = Fraction(str(uart.ready)) * Fraction(str(bus.stop_bits))
    ready = (before_stop + share) * NS_PER_S / bus.baud
    spec = UartSpec(
        fifo=uart.fifo,
        trigger=uart.trigger,
        fires=uart.fires,
        idle_timeout_ns=uart.idle_timeout_ns,
        restart_on_read=uart.idle_restart == "character-or-read",
        idle_on_empty=uart.idle_on_empty,
        overrun=uart.overrun,
        ready_ns=min(ready.__floor__(), character_ns - 1),
        character_ns=character_ns,
        mute=uart.mute,
    )
    if processor.dma is None:
        return spec
    # A ring is a FIFO that holds one less, and asserts its interrupt by itself.
    return replace(
        spec,
        fifo=processor.dma.octets - 1,
        trigger=1,
        fires="transition",
        overrun="drop",
        restart_on_read=False,
    )


def _receive_spec(processor: Processor) -> ReceiveSpec:
    if processor.poll is not None:
        return ReceiveSpec("poll", pass_ns=processor.poll.pass_ns)
    ring = processor.dma
    if ring is not None:
        return ReceiveSpec("dma", 0, ring.octets, ring.half, ring.arbitration_ns)
    return ReceiveSpec()


def _cost_spec(node: Node) -> CostSpec:
    interrupt = node.processor.interrupt
    rearrange = node.processor.rearrange
    buffers = node.processor.buffers
    limit = {"drain": NO_LIMIT, "count": interrupt.count or 1, "one": 1}
    return CostSpec(
        entry_ns=interrupt.entry_ns,
        exit_ns=interrupt.exit_ns,
        body_limit=limit[interrupt.body],
        per_character_ns=interrupt.per_character_ns,
        per_packet_ns=interrupt.per_packet_ns,
        rearrange_ns=rearrange.fixed_ns
        + rearrange.per_octet_ns * node.output.payload_octets,
        start_output_ns=rearrange.start_output_ns,
        receive_buffers=buffers.receive,
        word_buffers=buffers.port_words,
        drop_without_words=buffers.port_words_full == "drop",
        bit_ns=interrupt.bit_ns,
        masked_ns=interrupt.masked_ns,
        priority=interrupt.priority,
    )


def _output_spec(output: Output) -> OutputSpec:
    clocked = output.signal == "clocked"
    # A timer's interrupts, UARTs and words that carry characters need no stop.
    stop = output.stop if clocked and output.method in ("dma", "port") else "count"
    rate = 1 + Fraction(str(output.rate_error))
    latch_pause_ns = None
    if clocked and output.method == "timer" and output.latch == "gap":
        latch_pause_ns = output.latch_gap_ns
        if output.longest_pause_ns is not None:
            latch_pause_ns = output.longest_pause_ns + 1
    return OutputSpec(
        lanes=output.lanes,
        lane_octets=output.lane_octets,
        word_octets=output.word_octets,
        msb_first=output.bit_order == "msb-first",
        clocks=output.burst_clocks,
        clock_hz=round(output.clock_hz * rate),
        rise_permille=round(1000 * output.rise),
        stop=stop,
        stop_latency_ns=0 if stop == "count" else output.stop_latency_ns,
        stop_jitter_ns=output.stop_jitter_ns if stop == "dma" else 0,
        transfer_jitter_ns=output.transfer_jitter_ns,
        runt_ns=output.runt_ns,
        latch_gap_ns=output.latch_gap_ns,
        kept_gap_ns=output.kept_gap_ns or output.latch_gap_ns,
        method=output.method,
        signal=output.signal,
        lane_hz=output.clock_hz,
        setup_ns=output.setup_ns,
        lead_ns=output.lead_ns,
        stolen_ns=output.stolen_ns,
        lane_gap_ns=output.lane_gap_ns,
        latch_pause_ns=latch_pause_ns,
    )


# --- what is refused ------------------------------------------------------------------


def _not_simulated(profile: Profile) -> list[Fault]:
    """Everything in a profile that the model would have to ignore."""
    faults: list[Fault] = []

    def refuse(where: str, value: object, can: str) -> None:
        fault = Fault("not simulated yet", str(value), can, where)
        if fault not in faults:
            faults.append(fault)

    if profile.bus.direction == "half":
        refuse("bus.direction", "half", "simplex")
    if profile.bus.baud_offset:
        # The line of another baud is worked out bit by bit, and not for every trial.
        can = "0 %; nightbench edge --vary bus.baud_offset tries it"
        refuse("bus.baud_offset", f"{100 * profile.bus.baud_offset:g} %", can)
    for node in profile.node:
        if node.processor.buffers.receive_full != "drop":
            refuse("processor.buffers.receive_full", "overwrite", "drop")
        _refuse_silence(profile, node.processor, refuse)
        _refuse_output(node.output, refuse)
    return faults


def _refuse_silence(profile, processor, refuse) -> None:  # type: ignore[no-untyped-def]
    """A node that would not notice the silence that ends a packet."""
    if profile.packet.framing != "silence":
        return
    uart = processor.uart
    silence = profile.packet.silence_ns or 0
    least = silence + profile.bus.character.at(1)
    timeout = uart.idle_timeout_ns or 0
    if timeout < least or not uart.idle_on_empty:
        refuse(
            "processor.uart.idle_timeout",
            f"{timeout} ns, idle_on_empty = {str(uart.idle_on_empty).lower()}",
            f"at least {least} ns and idle_on_empty = true, so that the node "
            "notices the silence that ends a packet",
        )


def _refuse_output(output, refuse) -> None:  # type: ignore[no-untyped-def]
    """What a node's output stage would do that the model does not."""
    if output.lane_bits % 8:
        refuse("output.register_bits", output.lane_bits, "whole octets in a lane")
    if output.burst_clocks > MOST_CLOCKS:
        refuse("output.devices", output.burst_clocks, f"at most {MOST_CLOCKS} clocks")
