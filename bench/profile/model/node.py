"""The nodes of a profile: receiver, processor, buffers and output stage."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from bench.profile.model.section import MOST_ADDRESS, Section
from bench.profile.quantities import (
    Duration,
    Frequency,
    PeriodShare,
    PositiveDuration,
    Share,
    StrictInt,
    only_whole,
)


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
    ready: Share = Field(
        0.5, description="How far into the stop bit a character is complete."
    )
    overrun: Literal["drop", "hold", "overwrite", "stall"] = Field(
        "drop",
        description="A character that completes while the FIFO is full is dropped; is "
        "held in the shifter until the next start bit; is held until the next one "
        "completes and overwrites it; or is dropped with all that follow until the "
        "handler clears the error.",
    )


class Interrupt(Section):
    """What one receive interrupt costs."""

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
        description="Cost of each character that the body takes."
    )
    per_packet_ns: Duration = Field(
        0, description="More for the last character of a packet for this node."
    )
    masked_ns: Duration = Field(
        0, description="Longest stretch with interrupts masked."
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
    clock_hz: Frequency | None = Field(None, description="Clock of the processor.")
    uart: Uart = Field(Uart(), description="The receiver.")
    interrupt: Interrupt = Field(description="The receive interrupt.")
    rearrange: Rearrange = Field(Rearrange(), description="Octets to port words.")
    buffers: Buffers = Field(Buffers(), description="What packets are kept in.")


class Observe(Section):
    """How the bench sees what a node did."""

    by: Literal["simulated", "reply", "lane", "status", "capture"] = Field(
        "simulated",
        description="simulated: all of it; reply: an answer on the bus; lane: a serial "
        "port on a UART lane; status: counters; capture: a file, afterwards.",
    )


class Channel(Section):
    """The channels of one device."""

    bits: Annotated[StrictInt, Field(ge=1, le=32)] = Field(
        8, description="Bits of one channel."
    )
    inverted: bool = Field(
        False, description="Whether a channel is bright at zero instead of at full."
    )
    red: tuple[Annotated[StrictInt, Field(ge=0, lt=65536)], ...] = Field(
        (), description="Indexes of the red channels of a device (saturated red)."
    )


class Output(Section):
    """The output stage of a node and the chains behind it."""

    method: Literal["dma", "timer", "port", "uart"] = Field(
        "dma",
        description="dma: timer-paced port words; timer: one interrupt a bit; port: "
        "hardware shifters, one lane after another; uart: UART lanes.",
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
    word_octets: Annotated[Literal[1, 2, 4], only_whole] = Field(
        1, description="Octets of a port word, one bit a lane."
    )
    bit_order: Literal["msb-first", "lsb-first"] = Field(
        "msb-first", description="Which bit of a lane's octet is shifted out first."
    )
    clock_hz: Frequency = Field(description="Clock rate of the lanes.")
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
        description="Least clock-idle time after which the chains latch."
    )
    kept_gap_ns: PositiveDuration | None = Field(
        None,
        description="Clock-idle time that the firmware keeps; the latch gap unless "
        "stated.",
    )
    longest_pause_ns: PositiveDuration | None = Field(
        None, description="Longest pause inside a burst that does not latch."
    )
    channel: Channel = Field(Channel(), description="The channels of one device.")

    @property
    def lane_octets(self) -> int:
        """Octets of one lane in a payload: its bits, filled up to whole octets."""
        return -(-self.burst_clocks // 8)

    @property
    def burst_clocks(self) -> int:
        """Clocks that shift one packet out."""
        return self.header_bits + self.devices * self.register_bits

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
