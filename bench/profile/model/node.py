"""The nodes of a profile: receiver, processor, buffers and output stage."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Literal

from pydantic import Field

from bench.base.grid import NS_PER_S
from bench.profile.model.channels import Channel
from bench.profile.model.observe import Observe
from bench.profile.model.section import MOST_ADDRESS, Section
from bench.profile.quantities import (
    Duration,
    Frequency,
    LaneRate,
    PeriodShare,
    PositiveDuration,
    Share,
    StrictInt,
    Voltage,
    only_whole,
)

UART_BITS = 10
"""Bits of a character on a UART lane: start, eight, stop."""


class Uart(Section):
    """The receiver in front of the processor."""

    fifo: Annotated[StrictInt, Field(ge=1, le=256)] = Field(
        1, description="Characters that the receive FIFO holds."
    )
    trigger: Annotated[StrictInt, Field(ge=1, le=256)] = Field(
        1, description="Characters in the FIFO that assert the receive interrupt."
    )
    fires: Literal["level", "transition"] = Field(
        "level",
        description="level: asserted for as long as the trigger is reached; "
        "transition: once, when it is reached.",
    )
    idle_timeout_ns: PositiveDuration | None = Field(
        None, description="Idle time after which the receive interrupt is asserted."
    )
    idle_restart: Literal["character", "character-or-read"] = Field(
        "character", description="What starts the idle timeout anew."
    )
    idle_on_empty: bool = Field(
        False, description="Whether the idle timeout fires on an empty FIFO."
    )
    mute: bool = Field(
        False,
        description="Framing ninth-bit: whether the receiver itself drops what follows "
        "an address that is not the node's, without an interrupt.",
    )
    ready: Share = Field(
        0.5, description="How far into the stop bit a character is complete."
    )
    oversampling: Literal[8, 16] | None = Field(
        None, description="Periods of its clock in a bit; it samples the middle ones."
    )
    steps: Annotated[StrictInt, Field(ge=1, le=256)] = Field(
        1,
        description="Parts of one that its baud divisor may have: 1 for whole numbers, "
        "64 for sixty-fourths.",
    )
    overrun: Literal["drop", "hold", "overwrite", "stall"] = Field(
        "drop",
        description="A character that completes while the FIFO is full is dropped; is "
        "held in the shifter until the next start bit; is held until the next one "
        "completes and overwrites it; or is dropped with all that follow until the "
        "handler clears the error.",
    )


class Poll(Section):
    """A receiver that the foreground looks at, once in each pass of its loop."""

    pass_ns: PositiveDuration = Field(
        description="Cost of one pass that finds nothing to do, its look included."
    )


class Ring(Section):
    """A receiver whose characters go into a ring in memory by themselves."""

    octets: Annotated[StrictInt, Field(ge=2, le=65536)] = Field(
        description="Length of the ring; full, it cannot be told from empty, so it "
        "holds one less."
    )
    half: bool = Field(
        True, description="Whether the interrupt comes at the ring's half, too."
    )
    arbitration_ns: Duration = Field(
        0,
        description="How much later a character is in the ring while the output's DMA "
        "has the bus.",
    )


class Interrupt(Section):
    """What interrupts cost; a polled receiver pays for characters and packets alone."""

    entry_ns: Duration = Field(0, description="From the interrupt to its body.")
    exit_ns: Duration = Field(0, description="From its body to the foreground.")
    body: Literal["drain", "count", "one"] = Field(
        "drain",
        description="drain: takes characters until the FIFO is empty; count: so many "
        "at most; one: a single one.",
    )
    count: Annotated[StrictInt, Field(ge=1, le=256)] | None = Field(
        None, description="body = count: characters taken at most in one interrupt."
    )
    per_character_ns: PositiveDuration = Field(
        description="Cost of each character that is taken."
    )
    per_packet_ns: Duration = Field(
        0, description="More for the last character of a packet for this node."
    )
    bit_ns: Duration = Field(
        0, description="Output by timer: the body of the interrupt that each bit costs."
    )
    masked_ns: Duration = Field(
        0,
        description="Longest stretch with interrupts masked; the first part of every "
        "foreground job.",
    )
    priority: tuple[Literal["receive", "bit", "complete"], ...] = Field(
        ("receive", "bit", "complete"),
        description="Interrupts that are pending together, the first served first: "
        "receive, output bit, transfer complete.",
    )


class Rearrange(Section):
    """Turning packet octets into port words, in the foreground."""

    fixed_ns: Duration = Field(0, description="Cost of any packet.")
    per_octet_ns: Duration = Field(0, description="Cost of each payload octet.")
    start_output_ns: Duration = Field(
        0, description="Foreground work to start one burst."
    )


class Buffers(Section):
    """Receive buffers and port-word buffers, apart."""

    receive: Annotated[StrictInt, Field(ge=1, le=64)] = Field(
        2, description="Receive buffers, one a packet."
    )
    receive_full: Literal["drop", "overwrite"] = Field(
        "drop", description="What happens to a packet that finds no receive buffer."
    )
    port_words: Annotated[StrictInt, Field(ge=1, le=64)] = Field(
        2, description="Port-word buffers, one a burst."
    )
    port_words_full: Literal["wait", "drop"] = Field(
        "wait", description="What happens to a packet that finds no port-word buffer."
    )


class Processor(Section):
    """The processor of a node and how its firmware uses it."""

    receive: Literal["interrupt", "poll", "dma"] = Field(
        "interrupt", description="How characters leave the FIFO."
    )
    resync: Literal["forward", "timeout", "rescan"] = Field(
        "forward",
        description="After a bad packet: forward looks on from the octet that showed "
        "it, timeout waits for silence, rescan looks again from just after its start.",
    )
    show: Literal["packet", "sync"] = Field(
        "packet", description="Shown as it comes, or all on a broadcast sync packet."
    )
    on_silence: Literal["hold", "blackout"] = Field(
        "hold",
        description="When no packet for the node came for a while: it goes on showing "
        "the last one, or darkens its lanes.",
    )
    blackout_after_ns: PositiveDuration | None = Field(
        None, description="on_silence = blackout: how long that while is."
    )
    clock_hz: Frequency | None = Field(None, description="Clock of the processor.")
    clock_error: Share | None = Field(
        None, description="Greatest error of that clock, either way."
    )
    ram: Annotated[StrictInt, Field(ge=1, le=1 << 30)] | None = Field(
        None, description="Octets of memory that buffers may have."
    )
    poll: Poll | None = Field(None, description="receive = poll: its loop.")
    dma: Ring | None = Field(None, description="receive = dma: its ring.")
    uart: Uart = Field(Uart(), description="The receiver.")
    interrupt: Interrupt = Field(description="The receive interrupt.")
    rearrange: Rearrange = Field(Rearrange(), description="Octets to port words.")
    buffers: Buffers = Field(Buffers(), description="What packets are kept in.")


class Output(Section):
    """The output stage of a node and the chains behind it."""

    method: Literal["dma", "timer", "port", "uart"] = Field(
        "dma",
        description="dma: timer-paced port words; timer: one interrupt a bit; port: "
        "hardware shifters, one lane after another; uart: hardware UARTs.",
    )
    signal: Literal["clocked", "uart"] = Field(
        "clocked",
        description="What a lane carries: data beside a clock, or characters of a "
        "start bit, eight data bits and a stop bit.",
    )
    lanes: Annotated[StrictInt, Field(ge=1, le=128)] = Field(
        description="Lanes of the node."
    )
    devices: Annotated[StrictInt, Field(ge=1, le=4096)] = Field(
        description="Devices in the chain of one lane."
    )
    register_bits: Annotated[StrictInt, Field(ge=1, le=65536)] = Field(
        description="Bits of the shift register of one device."
    )
    header_bits: Annotated[StrictInt, Field(ge=0, le=65536)] = Field(
        0, description="Bits that lead a burst on every lane."
    )
    word_octets: Annotated[Literal[1, 2, 4, 8, 16], only_whole] = Field(
        1, description="Octets of a port word, one bit a lane."
    )
    port_bits: tuple[Annotated[StrictInt, Field(ge=0, lt=128)], ...] = Field(
        (), description="Port-word bit of each lane; lane k on bit k unless stated."
    )
    strobe_bit: Annotated[StrictInt, Field(ge=0, lt=128)] | None = Field(
        None, description="latch = strobe: the port-word bit of the strobe."
    )
    bit_order: Literal["msb-first", "lsb-first"] = Field(
        "msb-first", description="Which bit of a lane's octet is shifted out first."
    )
    clock_hz: LaneRate = Field(
        description="Clock rate of the lanes; of UART lanes their baud."
    )
    rate_error: Annotated[float, Field(ge=-0.2, le=0.2)] = Field(
        0.0,
        description="UART lanes: how much faster than stated they are, as a share.",
    )
    lead_ns: Duration = Field(
        0,
        description="How long the clock runs before the first port word is asked for; "
        "each rise in that time is an extra clock at the front.",
    )
    stolen_ns: Duration = Field(
        0,
        description="Processor time that the move of one port word takes from the "
        "foreground.",
    )
    lane_gap_ns: Duration = Field(
        0, description="method = port: idle time between one lane and the next."
    )
    rise: PeriodShare = Field(0.5, description="When in its period the clock rises.")
    stop: Literal["dma", "interrupt", "count"] = Field(
        "dma",
        description="What stops the clock: a second channel that writes the timer, an "
        "interrupt, or a hardware count.",
    )
    stop_latency_ns: Duration = Field(
        0,
        description="From the end of the last period (interrupt: from the end of the "
        "interrupt's entry) to the clock standing still.",
    )
    stop_jitter_ns: Duration = Field(
        0, description="stop = dma: bus arbitration adds up to this."
    )
    transfer_jitter_ns: Duration = Field(
        0, description="Bus arbitration delays a port word by up to this."
    )
    setup_ns: Duration = Field(0, description="Set-up time of the chain's data input.")
    runt_ns: Duration = Field(
        0, description="A stop this close before a clock edge may still make a pulse."
    )
    latch: Literal["gap", "strobe"] = Field(
        "gap", description="What makes the chains show what they were sent."
    )
    latch_gap_ns: PositiveDuration = Field(
        description="Least clock-idle time after which the chains latch; latch = "
        "strobe: from the end of the burst to the strobe."
    )
    kept_gap_ns: PositiveDuration | None = Field(
        None,
        description="Clock-idle time that the firmware keeps; the latch gap unless "
        "stated.",
    )
    longest_pause_ns: PositiveDuration | None = Field(
        None, description="Longest pause inside a burst that does not latch."
    )
    driver_supply_v: Voltage | None = Field(
        None, description="Supply of the logic that drives the lanes."
    )
    input: Literal["cmos", "ttl"] | None = Field(
        None,
        description="What the chains' inputs take for a one: cmos: from 0.7 of their "
        "supply on; ttl: from 2 V on.",
    )
    input_supply_v: Voltage | None = Field(
        None, description="Supply of the chains' inputs."
    )
    channel: Channel = Field(Channel(), description="The channel map.")

    @property
    def lane_octets(self) -> int:
        """Octets of one lane in a payload: its bits, filled up to whole octets."""
        return -(-self.lane_bits // 8)

    @property
    def lane_bits(self) -> int:
        """Bits that one lane shows: its header and its devices' registers."""
        return self.header_bits + self.devices * self.register_bits

    @property
    def burst_clocks(self) -> int:
        """Clocks, or on a UART lane bits, that bring one lane's data out."""
        if self.signal == "uart":
            return self.lane_octets * UART_BITS
        return self.lane_bits

    @property
    def burst_s(self) -> Fraction:
        """From the first bit of an undisturbed burst to its end, without the stop."""
        seconds = Fraction(self.burst_clocks, self.clock_hz)
        if self.signal == "uart":
            seconds /= 1 + Fraction(str(self.rate_error))
        if self.method == "port":
            gaps = Fraction(self.lane_gap_ns * (self.lanes - 1), NS_PER_S)
            return seconds * self.lanes + gaps
        return seconds

    @property
    def payload_octets(self) -> int:
        """Octets of a payload that fills every lane."""
        return self.lanes * self.lane_octets


class Node(Section):
    """One board on the bus."""

    name: Annotated[str, Field(min_length=1, max_length=64)] = Field(
        description="What reports call it."
    )
    address: Annotated[StrictInt, Field(ge=0, le=MOST_ADDRESS)] = Field(
        description="What it matches."
    )
    observe: Observe = Field(Observe(), description="How its doings are seen.")
    processor: Processor = Field(
        description="Its processor; what is alike stands in the shared table."
    )
    output: Output = Field(
        description="Its output stage; what is alike stands in the shared table."
    )
