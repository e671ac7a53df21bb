"""The whole profile, and its sections on the bus, the traffic, limits and light."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from bench.base.grid import Grid
from bench.profile.model.node import Node  # noqa: TC001 (pydantic reads it)
from bench.profile.model.packet import Packet  # noqa: TC001 (likewise)
from bench.profile.model.section import MOST_ADDRESS, Section
from bench.profile.quantities import (
    Baud,
    Confidence,
    Current,
    Duration,
    Frequency,
    Length,
    Offset,
    PositiveDuration,
    Resistance,
    Share,
    StopBits,
    StrictInt,
    Voltage,
    only_whole,
)


class Adapter(Section):
    """What makes the host's baud: a clock, divided."""

    clock_hz: Frequency = Field(description="Clock that its baud is divided from.")
    oversampling: Literal[8, 16] = Field(
        16, description="Periods of the divided clock in a bit."
    )
    steps: Annotated[StrictInt, Field(ge=1, le=256)] = Field(
        1, description="Parts of one that its divisor may have: 1 for whole numbers."
    )


class Bus(Section):
    """The line: how a character looks, and the cable it travels on."""

    baud: Baud = Field(description="Bits a second on the line.")
    baud_offset: Offset = Field(
        0.0,
        description="How far the sender is off the baud that nodes expect, of either "
        "sign.",
    )
    data_bits: Annotated[StrictInt, Field(ge=5, le=9)] = Field(
        8,
        description="Data bits of a character; 9 for framing ninth-bit, where the last "
        "one marks an address.",
    )
    parity: Literal["none", "even", "odd", "mark", "space"] = Field(
        "none", description="Parity bit of a character."
    )
    stop_bits: StopBits = Field(1.0, description="Stop bits of a character.")
    direction: Literal["simplex", "half"] = Field(
        "simplex", description="simplex: the driver is held on, nodes never answer."
    )
    turnaround_ns: Duration = Field(
        0,
        description="half: a node's pause between the end of a packet and its answer.",
    )
    release_ns: Duration = Field(
        0, description="half: how long the host holds the bus after its last stop bit."
    )
    echo: bool = Field(
        False, description="Whether the host's adapter hears what it sends itself."
    )
    virtual_idle_ns: Duration = Field(
        0,
        description="Idle time that the virtual wire of a simulated or served node "
        "puts after every character.",
    )
    cable_m: Length | None = Field(
        None, description="Length of the cable from end to end."
    )
    unit_loads: Annotated[float, Field(gt=0)] = Field(
        1.0, description="Load of one node on the bus, in RS-485 unit loads."
    )
    termination_ohm: Resistance | None = Field(
        None, description="Terminating resistor at each end of the cable."
    )
    bias_ohm: Resistance | None = Field(
        None, description="Each of the two resistors that hold an idle bus at mark."
    )
    bias_supply_v: Voltage | None = Field(
        None, description="Least supply of the two bias resistors."
    )
    stub_m: Length | None = Field(
        None, description="Length of the longest branch from the cable to a node."
    )
    rise_time_ns: PositiveDuration | None = Field(
        None, description="Rise time of the drivers, 10 % to 90 %."
    )
    velocity: Annotated[float, Field(gt=0, le=1)] | None = Field(
        None, description="Speed of signals on the cable, as a share of light's."
    )
    adapter: Adapter | None = Field(
        None, description="What makes the host's baud; for what rates it can make."
    )
    bit_error_ratio: Share | None = Field(
        None, description="Share of the line's bits that come out wrong."
    )

    @property
    def character(self) -> Grid:
        """A character's time: start, data, parity and stop bits, exactly one step."""
        bits = 1 + self.data_bits + (self.parity != "none")
        return Grid.of_rate(self.baud, 2 * bits + round(2 * self.stop_bits), 2)

    @property
    def pitch(self) -> Grid:
        """From one start bit to the next on the virtual wire, exactly one step."""
        character = self.character
        idle = self.virtual_idle_ns * character.den
        return Grid.of(character.num + idle, character.den)


class Foreign(Section):
    """Well-formed packets for addresses that are not on the test bench."""

    share: Share = Field(0.0, description="Share of the line's time that they carry.")
    addresses: tuple[Annotated[StrictInt, Field(ge=0, le=MOST_ADDRESS)], ...] = Field(
        (), description="Drawn from; every address that is no node's unless stated."
    )
    lengths: tuple[Annotated[StrictInt, Field(ge=0, le=1 << 20)], ...] = Field(
        (), description="Payload sizes drawn from; that of the nodes unless stated."
    )


class Traffic(Section):
    """What is sent."""

    frame_rate_hz: Frequency = Field(
        description="Refreshes of the whole installation a second."
    )
    pacing: Literal["packed", "timed", "flood"] = Field(
        "packed",
        description="packed: the space between packets is filled; timed: absolute "
        "deadlines; flood: back to back.",
    )
    spread: Literal["even", "together"] = Field(
        "even", description="Packets of a frame evenly in its time, or back to back."
    )
    pattern: str = Field(
        "random", description="What the payloads hold; see `nightbench patterns`."
    )
    dither: Share = Field(
        0.05,
        description="Spacing and foreign length vary by up to this share, so that bus "
        "and node do not lock phases.",
    )
    broadcast_every: Annotated[StrictInt, Field(ge=0, le=10**9)] = Field(
        0, description="A broadcast packet after every so many frames; 0 for none."
    )
    foreign: Foreign = Field(
        Foreign(), description="Packets for others on the same bus."
    )


class Accept(Section):
    """What makes a trial fail."""

    loss: Share = Field(0.0, description="Greatest share of packets not shown.")
    confidence: Confidence = Field(
        0.95, description="Confidence of the bound that is stated for the loss."
    )
    latency_ns: PositiveDuration | None = Field(
        None, description="Last bit in to shown; later is late."
    )
    skew_ns: PositiveDuration | None = Field(
        None, description="Greatest spread of one frame's shown times over the nodes."
    )
    wrong_clocks: Annotated[StrictInt, Field(ge=0, le=10**9)] = Field(
        0, description="Bursts with a wrong number of clocks."
    )
    marginal: Annotated[StrictInt, Field(ge=0, le=10**9)] = Field(
        0, description="Bursts with a runt pulse, or nearly one."
    )


class Light(Section):
    """What the lights may do while they are tested."""

    channel_ma: Current = Field(0.0, description="Current of one channel at full.")
    cap: Share = Field(0.2, description="Greatest mean brightness of a node's field.")
    safe_level: Share = Field(0.0, description="Sent when a trial stops.")
    flashes_per_second: Annotated[StrictInt, Field(ge=0, le=3)] = Field(
        3, description="Whole-field changes that patterns may make in any second."
    )


class Profile(Section):
    """A whole profile, checked."""

    profile: Annotated[Literal[1], only_whole] = Field(
        description="Version of this file format."
    )
    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$")] = Field(
        description="What reports and ledgers call it: small letters, digits, - and _.",
        examples=["causeway"],
    )
    summary: str = Field("", description="One line for a person.")
    bus: Bus = Field(description="The line.")
    packet: Packet = Field(description="The packet format.")
    node: Annotated[tuple[Node, ...], Field(min_length=1, max_length=256)] = Field(
        description="The boards on the bus."
    )
    traffic: Traffic = Field(description="What is sent.")
    accept: Accept = Field(Accept(), description="What makes a trial fail.")
    light: Light = Field(Light(), description="What the lights may do.")

    def dump(self) -> dict[str, Any]:
        """The resolved profile as the file would hold it, every default written out."""
        return self.model_dump(mode="json", by_alias=True, exclude_none=True)
