"""The models that a profile is held in.

Every key of the TOML file is a field here, in the same place and under the same name.
Values are plain numbers in the unit that the field's name states (`_ns`, `_hz`); in the
file a person writes them with a unit and without the suffix, `latch_gap = "0.5 ms"`.

Models only hold values of the right shape and range.  What no single field can know
(that a word is too narrow for its lanes, say) is in `bench.profile.rules`; what the
simulated node cannot do yet is for the node to refuse.
"""

from bench.profile.model.channels import Channel, DeviceChannel, LaneChannels
from bench.profile.model.node import (
    Buffers,
    Interrupt,
    Node,
    Output,
    Processor,
    Rearrange,
    Uart,
)
from bench.profile.model.observe import (
    Counter,
    LaneObserve,
    LinesObserve,
    Observe,
    Probe,
    ReplyObserve,
    StatusObserve,
)
from bench.profile.model.packet import (
    AddressField,
    CheckField,
    CrcParameters,
    LengthField,
    LiteralField,
    Order,
    Packet,
    PacketField,
    PayloadField,
    SequenceField,
)
from bench.profile.model.profile import (
    Accept,
    Bus,
    Foreign,
    Light,
    Profile,
    Traffic,
)
from bench.profile.model.section import Section, key_of

__all__ = [
    "Accept",
    "AddressField",
    "Buffers",
    "Bus",
    "Channel",
    "CheckField",
    "Counter",
    "CrcParameters",
    "DeviceChannel",
    "Foreign",
    "Interrupt",
    "LaneChannels",
    "LaneObserve",
    "LengthField",
    "Light",
    "LinesObserve",
    "LiteralField",
    "Node",
    "Observe",
    "Order",
    "Output",
    "Packet",
    "PacketField",
    "PayloadField",
    "Probe",
    "Processor",
    "Profile",
    "Rearrange",
    "ReplyObserve",
    "Section",
    "SequenceField",
    "StatusObserve",
    "Traffic",
    "Uart",
    "key_of",
]
