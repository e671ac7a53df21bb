"""What the simulated node needs to know, as plain integers.

A `NodeSpec` is one node of a profile on the profile's bus, every quantity in
nanoseconds, octets or counts.  The kernel's records and the plain twin of the tests are
both made from it.  What the model does not simulate yet is refused here, in one line
each, and never ignored.
"""

from __future__ import annotations

from dataclasses import dataclass
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
    """The receiver: see `bench.profile.model.Uart`, whose words the fields keep."""

    fifo: int
    trigger: int
    fires: Literal["level", "transition"]
    idle_timeout_ns: int | None
    restart_on_read: bool
    idle_on_empty: bool
    overrun: Literal["drop", "hold", "overwrite", "stall"]
    ready_ns: int
    character_ns: int


@dataclass(frozen=True, slots=True)
class CostSpec:
    """What the processor's work costs, in ns; `body_limit` in characters."""

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


@dataclass(frozen=True, slots=True)
class OutputSpec:
    """The output stage and its chains; `rise_permille` in thousandths of a period."""

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
    """

    index: int
    address: int
    pitch: Grid
    packet: Format
    resync: Literal["forward", "timeout", "rescan"]
    uart: UartSpec
    cost: CostSpec
    output: OutputSpec

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
    packet = format_of(profile.packet)
    return [
        NodeSpec(
            index,
            node.address,
            profile.bus.pitch,
            packet,
            node.processor.resync,
            _uart_spec(profile.bus, node.processor),
            _cost_spec(node),
            _output_spec(node.output),
        )
        for index, node in enumerate(profile.node)
    ]


def _uart_spec(bus: Bus, processor: Processor) -> UartSpec:
    uart = processor.uart
    character_ns = bus.character.at(1)
    before_stop = 1 + bus.data_bits + (bus.parity != "none")
    share = Fraction(str(uart.ready)) * Fraction(str(bus.stop_bits))
    ready = (before_stop + share) * NS_PER_S / bus.baud
    return UartSpec(
        fifo=uart.fifo,
        trigger=uart.trigger,
        fires=uart.fires,
        idle_timeout_ns=uart.idle_timeout_ns,
        restart_on_read=uart.idle_restart == "character-or-read",
        idle_on_empty=uart.idle_on_empty,
        overrun=uart.overrun,
        ready_ns=min(ready.__floor__(), character_ns - 1),
        character_ns=character_ns,
    )


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
    )


def _output_spec(output: Output) -> OutputSpec:
    return OutputSpec(
        lanes=output.lanes,
        lane_octets=output.lane_octets,
        word_octets=output.word_octets,
        msb_first=output.bit_order == "msb-first",
        clocks=output.burst_clocks,
        clock_hz=output.clock_hz,
        rise_permille=round(1000 * output.rise),
        stop=output.stop,
        stop_latency_ns=0 if output.stop == "count" else output.stop_latency_ns,
        stop_jitter_ns=output.stop_jitter_ns if output.stop == "dma" else 0,
        transfer_jitter_ns=output.transfer_jitter_ns,
        runt_ns=output.runt_ns,
        latch_gap_ns=output.latch_gap_ns,
        kept_gap_ns=output.kept_gap_ns or output.latch_gap_ns,
    )


# --- what is refused ------------------------------------------------------------------


def _not_simulated(profile: Profile) -> list[Fault]:
    """Everything in a profile that the model would have to ignore."""
    faults: list[Fault] = []

    def refuse(where: str, value: object, can: str) -> None:
        fault = Fault("not simulated yet", str(value), can, where)
        if fault not in faults:
            faults.append(fault)

    if profile.packet.framing == "ninth-bit":
        refuse("packet.framing", "ninth-bit", "a framing of plain octets")
    if profile.bus.direction == "half":
        refuse("bus.direction", "half", "simplex")
    for node in profile.node:
        if node.observe.by != "simulated":
            refuse("node.observe.by", node.observe.by, "simulated")
        _refuse_processor(profile, node.processor, refuse)
        _refuse_output(node.output, refuse)
    return faults


def _refuse_processor(profile, processor, refuse) -> None:  # type: ignore[no-untyped-def]
    """What a node's processor would do that the model does not."""
    uart, interrupt = processor.uart, processor.interrupt
    if processor.receive != "interrupt":
        refuse("processor.receive", processor.receive, "interrupt")
    if processor.show != "packet":
        refuse("processor.show", processor.show, "packet")
    if interrupt.masked_ns:
        refuse("processor.interrupt.masked", f"{interrupt.masked_ns} ns", "0 ns")
    if interrupt.priority != ("receive", "bit", "complete"):
        refuse(
            "processor.interrupt.priority",
            ", ".join(interrupt.priority),
            "receive, bit, complete",
        )
    if processor.buffers.receive_full != "drop":
        refuse("processor.buffers.receive_full", "overwrite", "drop")
    if profile.packet.framing == "silence":
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
    if output.method != "dma":
        refuse("output.method", output.method, "dma")
    if output.latch != "gap":
        refuse("output.latch", output.latch, "gap")
    if output.burst_clocks % 8:
        refuse("output.register_bits", output.burst_clocks, "whole octets in a lane")
    if output.burst_clocks > MOST_CLOCKS:
        refuse("output.devices", output.burst_clocks, f"at most {MOST_CLOCKS} clocks")
    rise_ns = output.rise * NS_PER_S / output.clock_hz
    late = output.transfer_jitter_ns + output.setup_ns
    if late >= rise_ns:
        refuse(
            "output.transfer_jitter",
            f"{late} ns with the set-up time",
            f"less than the clock's rise after {rise_ns:.0f} ns (the chain would take "
            "the previous bit)",
        )
