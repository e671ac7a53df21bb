"""The packet section of a profile: how a packet is delimited, stuffed and laid out."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag

from bench.profile.model.section import MOST_ADDRESS, Section
from bench.profile.quantities import (  # noqa: TC001 (pydantic reads them at run time)
    OctetString,
    PositiveDuration,
    StrictInt,
)

Order = Literal["big", "little"]


class LiteralField(Section):
    """Fixed octets; with framing `marker`, the first field is the marker."""

    kind: Literal["literal"]
    octets: OctetString = Field(description="The octets, in the order of the wire.")


class AddressField(Section):
    """Whom the packet is for."""

    kind: Literal["address"]
    size: Annotated[StrictInt, Field(ge=1, le=4)] = Field(
        1, description="Octets of this field."
    )
    order: Order = Field("big", description="Which end comes first on the wire.")
    mask: Annotated[StrictInt, Field(ge=1, le=MOST_ADDRESS)] | None = Field(
        None, description="Bits that are compared; all of them unless stated."
    )
    broadcast: tuple[Annotated[StrictInt, Field(ge=0, le=MOST_ADDRESS)], ...] = Field(
        (), description="Addresses that every node answers to."
    )


class SequenceField(Section):
    """A number that goes up by one with every packet to the same address."""

    kind: Literal["sequence"]
    size: Annotated[StrictInt, Field(ge=1, le=4)] = Field(
        1, description="Octets of this field."
    )
    order: Order = Field("big", description="Which end comes first on the wire.")


class LengthField(Section):
    """How long the packet is."""

    kind: Literal["length"]
    size: Annotated[StrictInt, Field(ge=1, le=4)] = Field(
        2, description="Octets of this field."
    )
    order: Order = Field("big", description="Which end comes first on the wire.")
    counts: Literal["payload", "after", "packet"] = Field(
        "payload",
        description="payload: the payload alone; after: every octet after this field; "
        "packet: every octet, markers included.",
    )
    add: Annotated[StrictInt, Field(ge=-(1 << 20), le=1 << 20)] = Field(
        0, description="Added to the count before it is written."
    )


class PayloadField(Section):
    """What the packet carries; the only field whose size varies."""

    kind: Literal["payload"]
    octets: Annotated[StrictInt, Field(ge=0, le=1 << 20)] | None = Field(
        None, description="Exact size; where it varies, `least` and `most` instead."
    )
    least: Annotated[StrictInt, Field(ge=0, le=1 << 20)] | None = Field(
        None, description="Fewest octets; 0 unless stated."
    )
    most: Annotated[StrictInt, Field(ge=0, le=1 << 20)] | None = Field(
        None, description="Most octets; 4096 unless stated."
    )
    shared: bool = Field(
        False,
        description="Whether one packet carries the octets of all nodes: a node takes "
        "what its lanes hold from its address on, the first octet being 1.",
    )


class CrcParameters(Section):
    """A cyclic redundancy check that has no catalogue name."""

    width: Annotated[StrictInt, Field(ge=3, le=64)] = Field(
        description="Bits of the result."
    )
    poly: Annotated[StrictInt, Field(ge=1, lt=1 << 64)] = Field(
        description="The polynomial without its highest term."
    )
    init: Annotated[StrictInt, Field(ge=0, lt=1 << 64)] = Field(
        0, description="The register before the first octet."
    )
    refin: bool = Field(False, description="Whether octets enter low bit first.")
    refout: bool = Field(False, description="Whether the result is bit-reversed.")
    xorout: Annotated[StrictInt, Field(ge=0, lt=1 << 64)] = Field(
        0, description="What the result is inverted with."
    )


def _algorithm_kind(value: object) -> str:
    """Whether an algorithm is named or described, so that faults speak of one only."""
    return "parameters" if isinstance(value, dict | CrcParameters) else "name"


class CheckField(Section):
    """A check over part of the packet."""

    kind: Literal["check"]
    algorithm: Annotated[
        Annotated[str, Tag("name")] | Annotated[CrcParameters, Tag("parameters")],
        Discriminator(_algorithm_kind),
    ] = Field(
        description="A name of the catalogue of parametrised CRC algorithms, sum-8, "
        "sum-16, lrc-8, xor-8, fletcher-16 or fletcher-32; or the parameters of a CRC."
    )
    order: Order = Field("big", description="Which end comes first on the wire.")
    covers: tuple[str, str] | None = Field(
        None,
        description="Kinds of the first and last field that it covers; from the field "
        "after the marker to the field before the check unless stated.",
    )


PacketField = Annotated[
    LiteralField
    | AddressField
    | SequenceField
    | LengthField
    | PayloadField
    | CheckField,
    Field(discriminator="kind"),
]


class Packet(Section):
    """How a packet is delimited, stuffed and laid out."""

    framing: Literal[
        "marker", "cobs", "slip", "hdlc", "silence", "break", "ninth-bit"
    ] = Field(
        description="marker: leading octets, then a length or a fixed size; cobs, slip "
        "and hdlc: a delimiter octet and stuffing; silence: an idle gap ends it; "
        "break: a break begins it; ninth-bit: a set ninth bit marks the address."
    )
    fields: Annotated[tuple[PacketField, ...], Field(min_length=1)] = Field(
        description="In the order of the wire."
    )
    pad: OctetString | None = Field(
        None, description="One octet that may fill the space between packets."
    )
    silence_ns: PositiveDuration | None = Field(
        None,
        description="Idle time that ends a packet (framing silence), and after which a "
        "receiver that resynchronises by timeout listens again.",
    )
    pause_ns: PositiveDuration | None = Field(
        None, description="Longer idle time inside a packet makes it bad."
    )
    break_ns: PositiveDuration | None = Field(
        None, description="framing = break: how long the line is held low."
    )
    mark_after_break_ns: PositiveDuration | None = Field(
        None, description="framing = break: idle time between break and first octet."
    )
    line_errors: Literal["reject", "accept"] = Field(
        "reject",
        description="Whether a character with a framing or parity error spoils the "
        "packet that it is in, or is taken as it came.",
    )

    @property
    def shared(self) -> bool:
        """Whether one packet carries the octets of all nodes."""
        return any(field.kind == "payload" and field.shared for field in self.fields)
