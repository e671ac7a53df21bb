"""How the bench sees what a node did: one way, and what has to be known of it.

Nodes that are alike share it in `[observe]` at the top of the file.  Each way has a
table of its own, which says nothing where another way is taken.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from bench.profile.model.packet import Order, Packet  # noqa: TC001 (pydantic)
from bench.profile.model.section import Section
from bench.profile.quantities import (  # noqa: TC001 (likewise)
    LaneRate,
    PositiveDuration,
    StrictInt,
)

Name = Annotated[
    str,
    Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$", max_length=64, examples=["shown"]),
]
"""What a counter is called: a group of a regular expression can be called so."""

PortName = Annotated[str, Field(min_length=1, max_length=256)]


class LinesObserve(Section):
    """Sighting lines of a child program or a served node."""

    tells: tuple[
        Literal["octets", "clocks", "marginal", "times", "dropped", "lost"], ...
    ] = Field(
        ("octets", "clocks", "times"),
        description="What its lines tell beside that something was shown. What is not "
        "named here is not observable, whatever the lines say.",
    )


class Probe(Section):
    """A packet that asks a node what it has done."""

    every: Annotated[StrictInt, Field(ge=1, le=1 << 20)] = Field(
        description="One for each node after so many packets for it."
    )
    packet: Packet = Field(
        description="How it looks; its payload is zeros of the least size."
    )


class ReplyObserve(Section):
    """Answers on the bus."""

    packet: Packet | None = Field(
        None, description="How an answer looks; as the packets do unless stated."
    )
    refusal: Packet | None = Field(
        None,
        description="How a node answers that refuses; it never does unless stated.",
    )
    window_ns: PositiveDuration = Field(
        50_000_000,
        description="From a packet's last bit to the end of its answer, as the host "
        "hears it; later is late. What the bench sends on purpose keeps out of it.",
    )
    payload: bool = Field(
        True, description="Whether an answer carries the packet's payload back."
    )
    probe: Probe | None = Field(
        None,
        description="Only this packet is answered; every packet is unless stated.",
    )


class LaneObserve(Section):
    """A serial port that reads UART lanes."""

    port: PortName | None = Field(None, description="The port; by = lane needs one.")
    baud: LaneRate | None = Field(
        None,
        description="Its speed; that of the lanes, at output.clock, unless stated.",
    )
    lane: Annotated[StrictInt, Field(ge=0, lt=128)] = Field(
        0, description="Which lane it reads."
    )
    idle_ns: PositiveDuration = Field(
        20_000_000,
        description="A lane without octets for so long, as the host reads them, is "
        "between two bursts.",
    )


class Counter(Section):
    """A number in the payload of a status packet."""

    name: Name = Field(description="What it is called.")
    at: Annotated[StrictInt, Field(ge=0, le=4096)] = Field(
        description="Its first octet in the payload."
    )
    size: Annotated[StrictInt, Field(ge=1, le=8)] = Field(
        2, description="Octets of this number."
    )
    order: Order = Field("big", description="Which end comes first on the wire.")


class StatusObserve(Section):
    """Counters that a node tells, in a packet or in a line of text."""

    port: PortName | None = Field(
        None, description="Where they come; on the bus unless stated."
    )
    baud: LaneRate | None = Field(
        None, description="Speed of that port; as the bus unless stated."
    )
    line: str | None = Field(
        None,
        description="A regular expression with named groups, for a whole line of text. "
        "A group called node holds a node's name or address.",
    )
    packet: Packet | None = Field(None, description="The packet that holds counters.")
    counters: tuple[Counter, ...] = Field(
        (), description="The numbers in that packet's payload."
    )
    shown: Name | None = Field(None, description="Counts packets shown.")
    received: Name | None = Field(
        None, description="Counts sound packets for the node."
    )
    errors: tuple[Name, ...] = Field((), description="Each counts a kind of error.")
    wrap_bits: Annotated[StrictInt, Field(ge=8, le=64)] = Field(
        32, description="Counters start again from zero after so many bits."
    )
    uptime: Name | None = Field(
        None, description="Grows while the node runs; if it goes back, it was reset."
    )
    reset_cause: Name | None = Field(
        None, description="Why the node last began anew; if it changes, it was reset."
    )
    version: Name | None = Field(None, description="The firmware's version.")


class Observe(Section):
    """How the bench sees what a node did."""

    by: Literal["simulated", "lines", "reply", "lane", "status", "capture"] = Field(
        "simulated",
        description="simulated: all of it; lines: a child program or a served node "
        "writes it down; reply: an answer on the bus; lane: a serial port on a UART "
        "lane; status: counters; capture: a file, afterwards.",
    )
    lines: LinesObserve | None = Field(None, description="by = lines: what they tell.")
    reply: ReplyObserve | None = Field(
        None, description="by = reply: how they look, and when they come."
    )
    lane: LaneObserve | None = Field(
        None, description="by = lane: which, and by which port."
    )
    status: StatusObserve | None = Field(
        None, description="by = status: where they come, and what they are called."
    )
