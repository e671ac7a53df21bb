"""What a plan of acceptance may hold: its steps, and what each of them demands.

A step is one trial of a kind that has a command of its own, with the words of that
command.  Whatever the profile accepts is demanded anyway; a step may demand more.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StrictInt

from bench.profile.model.section import Section
from bench.profile.quantities import PositiveDuration, Share, only_whole

_Name = Annotated[str, Field(pattern=r"^[^\x00-\x1f\x7f]{1,40}$")]
_Text = Annotated[str, Field(min_length=1, max_length=200)]
_Packets = Annotated[StrictInt, Field(ge=1, le=2**62)]
_Times = Annotated[StrictInt, Field(ge=1, le=1000)]
_Margin = Annotated[float, Field(gt=0, le=1000)]


class _Step(Section):
    """What every step has."""

    name: _Name = Field(description="What tables call it; no two are alike.")
    set: tuple[_Text, ...] = Field(
        (), description="Values of the profile, each as for --set: output.clock=1 MHz."
    )


class StreamStep(_Step):
    """Packets at one point."""

    kind: Literal["stream"] = Field(description="Packets at one point.")
    for_ns: PositiveDuration | None = Field(
        None, description="Ends after so much bus time; 1 min unless stated."
    )
    packets: _Packets | None = Field(None, description="Ends after so many packets.")
    bound: _Text | None = Field(
        None,
        description="The loss has to be shown to be below: 1e-4, or 1e-4@0.99.",
        examples=["1e-4"],
    )


class EdgeStep(_Step):
    """How far something can be turned."""

    kind: Literal["edge"] = Field(description="How far something can be turned.")
    vary: _Text | None = Field(
        None,
        description="What is varied, by its dotted path.",
        examples=["output.clock"],
    )
    method: Literal["throughput"] | None = Field(
        None, description="Instead: the highest frame rate without a loss."
    )
    from_: _Text | None = Field(
        None,
        alias="from",
        description="One end; what the profile has unless stated.",
        examples=["250 kHz"],
    )
    to: _Text | None = Field(
        None, description="The other end, which has to fail.", examples=["2 MHz"]
    )
    within: _Text | None = Field(
        None, description="How close: 1 % unless stated.", examples=["1%"]
    )
    for_ns: PositiveDuration | None = Field(
        None, description="Bus time of the trials of a value that decide; 1 min."
    )
    repeat: _Times | None = Field(None, description="Trials of each value.")
    margin: _Margin | None = Field(
        None,
        description="How many times the profile's value the last good one has to be; "
        "where less is worse, how many times smaller.",
    )
    least: _Text | None = Field(
        None,
        description="The last good value has to be at least this.",
        examples=["24 Hz"],
    )
    most: _Text | None = Field(
        None,
        description="The last good value has to be at most this.",
        examples=["1 ms"],
    )
    window: Share | None = Field(
        None,
        description="With bus.baud_offset: the window that all nodes share has to "
        "reach this far to both sides.",
    )


class UpsetStep(_Step):
    """Something happens to the bus, or to the boards."""

    kind: Literal["upset"] = Field(description="Start, silence, and other upsets.")
    trial: tuple[_Text, ...] = Field(
        (), description="Which upsets; all of them unless stated."
    )
    times: _Times | None = Field(
        None, description="At how many instants each strikes; 3 unless stated."
    )
    for_ns: PositiveDuration | None = Field(
        None, description="How long one lasts that takes time."
    )


class CorpusStep(_Step):
    """Cases that once made a board fail."""

    kind: Literal["corpus"] = Field(description="Cases that once made a board fail.")
    folder: _Text = Field(
        "corpus", description="Where they lie, seen from the plan's own folder."
    )
    least: Annotated[StrictInt, Field(ge=0, le=10**9)] = Field(
        0, description="How many there have to be at least."
    )


class SoakStep(_Step):
    """A night of traffic."""

    kind: Literal["soak"] = Field(description="A night of traffic.")
    for_ns: PositiveDuration = Field(description="How long it goes on.")
    interval_ns: PositiveDuration | None = Field(
        None, description="What one record covers; 10 s unless stated."
    )
    bound: _Text | None = Field(
        None,
        description="The loss has to be shown to be below: 1e-6, or 1e-6@0.99.",
        examples=["1e-6"],
    )
    schedule: tuple[_Text, ...] = Field(
        (), description="What happens on the way, each as for soak --at."
    )


Step = Annotated[
    StreamStep | EdgeStep | UpsetStep | CorpusStep | SoakStep,
    Field(discriminator="kind"),
]


class AcceptPlan(Section):
    """A whole plan, checked."""

    plan: Annotated[Literal[1], only_whole] = Field(
        description="Version of this file format."
    )
    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$")] = Field(
        description="What reports call it: small letters, digits, - and _.",
        examples=["causeway"],
    )
    summary: str = Field("", description="One line for a person.")
    profile: str | None = Field(
        None, description="The name of the profile that it is for; any unless stated."
    )
    step: Annotated[tuple[Step, ...], Field(min_length=1, max_length=200)] = Field(
        description="The steps, in the order in which they are carried out."
    )


def demands(step: EdgeStep) -> list[str]:
    """The keys by which an edge demands something."""
    words = ("margin", "least", "most", "window")
    return [word for word in words if getattr(step, word) is not None]
