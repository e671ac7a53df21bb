"""Rules about packet, check and addresses: broken ones speak and name both places."""

from __future__ import annotations

from typing import Any

import pytest
from unit.profile.edits import GONE, faults

from bench.base.errors import BenchError, Fault

FIELDS = "packet.fields"
ADDRESS, SEQUENCE, LENGTH, PAYLOAD, CHECK = (f"{FIELDS}.{k}" for k in range(1, 6))

ADDRESS_FIRST: dict[str, Any] = {
    f"{FIELDS}.0": {"kind": "address", "broadcast": [255]},
    ADDRESS: {"kind": "literal", "octets": "01"},
}

Case = tuple[dict[str, Any], str]

BROKEN: dict[str, Case] = {
    # --- fields of the packet
    "no payload": (
        {
            f"{PAYLOAD}": {"kind": "sequence"},
            SEQUENCE: {"kind": "literal", "octets": "01"},
        },
        "no payload, expected one field of kind payload @ packet.fields",
    ),
    "two payloads": (
        {f"{FIELDS}.5": {"kind": "payload", "octets": 1}},
        (
            "second field of its kind: payload, expected one; the first is "
            "packet.fields.4 @ packet.fields.5"
        ),
    ),
    "two checks": (
        {SEQUENCE: {"kind": "check", "algorithm": "sum-8"}},
        (
            "second field of its kind: check, expected one; the first is "
            "packet.fields.2 @ packet.fields.5"
        ),
    ),
    "no marker": (
        {
            f"{FIELDS}.0": {"kind": "sequence"},
            SEQUENCE: {"kind": "literal", "octets": "01"},
        },
        (
            "no marker: sequence, expected a literal first, for marker at "
            "packet.framing @ packet.fields.0"
        ),
    ),
    "ninth bit, no address": (
        {"packet.framing": "ninth-bit", "bus.data_bits": 9},
        (
            "no leading address: literal, expected an address first, for ninth-bit at "
            "packet.framing @ packet.fields.0"
        ),
    ),
    "ninth bit, parity": (
        {
            "packet.framing": "ninth-bit",
            "bus.data_bits": 9,
            "bus.parity": "even",
            **ADDRESS_FIRST,
        },
        (
            "parity in the place of the ninth bit: even, expected none, for ninth-bit "
            "at packet.framing @ bus.parity"
        ),
    ),
    "ninth bit, eight data bits": (
        {"packet.framing": "ninth-bit", **ADDRESS_FIRST},
        "no ninth bit: 8, expected 9, for ninth-bit at packet.framing @ bus.data_bits",
    ),
    "nine data bits": (
        {"bus.data_bits": 9},
        (
            "ninth bit without use: 9, expected 5 to 8, or ninth-bit at packet.framing "
            "@ bus.data_bits"
        ),
    ),
    "length after payload": (
        {LENGTH: {"kind": "payload", "most": 4096}, PAYLOAD: {"kind": "length"}},
        (
            "length after the payload, expected before the payload, packet.fields.3 "
            "@ packet.fields.4"
        ),
    ),
    "unknown length": (
        {LENGTH: {"kind": "literal", "octets": "00"}},
        (
            "end of a packet not known, expected a length field, or payload octets, "
            "for marker at packet.framing @ packet.fields.4"
        ),
    ),
    "size twice": (
        {
            f"{PAYLOAD}.octets": 3840,
            f"{PAYLOAD}.least": GONE,
            "traffic.foreign.lengths": GONE,
        },
        (
            "size stated twice: 4096, expected either this or packet.fields.4.octets "
            "@ packet.fields.4.most"
        ),
    ),
    "empty range": (
        {f"{PAYLOAD}.least": 4097},
        (
            "empty range: 4097, expected at most 4096, as packet.fields.4.most "
            "@ packet.fields.4.least"
        ),
    ),
    "length too small": (
        {f"{LENGTH}.size": 1},
        (
            "length too big: 4096, expected at most 255 in 1 octets; payload up to "
            "4096 at packet.fields.4 @ packet.fields.3"
        ),
    ),
    "length of all too small": (
        {f"{LENGTH}.counts": "packet", f"{PAYLOAD}.most": 65_528},
        (
            "length too big: 65536, expected at most 65535 in 2 octets; payload up to "
            "65528 at packet.fields.4 @ packet.fields.3"
        ),
    ),
    "length of the rest too small": (
        {f"{LENGTH}.counts": "after", f"{PAYLOAD}.most": 65_534},
        (
            "length too big: 65536, expected at most 65535 in 2 octets; payload up to "
            "65534 at packet.fields.4 @ packet.fields.3"
        ),
    ),
    "length below zero": (
        {f"{LENGTH}.add": -1},
        (
            "length below zero: -1, expected at least 0; payload from 0 at "
            "packet.fields.4 @ packet.fields.3.add"
        ),
    ),
    "unknown check": (
        {f"{CHECK}.algorithm": "CRC-16/MODBSU"},
        (
            "unknown check: CRC-16/MODBSU, expected another name "
            "@ packet.fields.5.algorithm (ask the catalogue)"
        ),
    ),
    "wide polynomial": (
        {f"{CHECK}.algorithm": {"width": 16, "poly": 0x18005}},
        (
            "too wide: 0x18005, expected at most 16 bits, as "
            "packet.fields.5.algorithm.width @ packet.fields.5.algorithm.poly"
        ),
    ),
    "covers unknown": (
        {f"{CHECK}.covers": ["adress", "payload"]},
        (
            "no such field: adress, expected the kind of a field: literal, address, "
            "sequence, length, payload, check @ packet.fields.5.covers.0"
        ),
    ),
    "covers several": (
        {
            f"{CHECK}.covers": ["literal", "payload"],
            SEQUENCE: {"kind": "literal", "octets": "01"},
        },
        (
            "several such fields: literal, expected a kind of which there is one "
            "@ packet.fields.5.covers.0"
        ),
    ),
    "covers backwards": (
        {f"{CHECK}.covers": ["payload", "address"]},
        (
            "covers backwards: payload to address, expected the first field, then the "
            "last @ packet.fields.5.covers"
        ),
    ),
    "covers itself": (
        {f"{CHECK}.covers": ["address", "check"]},
        (
            "check covers itself: address to check, expected fields before or after "
            "packet.fields.5 @ packet.fields.5.covers"
        ),
    ),
    "check of nothing": (
        {
            ADDRESS: {"kind": "check", "algorithm": "sum-8"},
            CHECK: {"kind": "address", "broadcast": [255]},
        },
        "check of nothing, expected fields before it, or covers @ packet.fields.1",
    ),
    # --- framing
    "no silence": (
        {"packet.framing": "silence", "packet.pad": GONE, "traffic.pacing": "timed"},
        (
            "required key missing, expected a duration, for silence at packet.framing "
            "@ packet.silence"
        ),
    ),
    "no break": (
        {"packet.framing": "break", "packet.mark_after_break": "12 us"},
        (
            "required key missing, expected a duration, for break at packet.framing "
            "@ packet.break"
        ),
    ),
    "pause above silence": (
        {"packet.silence": "1 ms", "packet.pause": "1.1 ms"},
        (
            "longer than a silence: 1.1 ms, expected at most 1 ms, as packet.silence "
            "@ packet.pause"
        ),
    ),
    "pause below a character": (
        {"packet.pause": "2499 ns"},
        (
            "shorter than a character: 2499 ns, expected at least 2.5 us, a character "
            "at bus.baud @ packet.pause"
        ),
    ),
    "two pads": (
        {"packet.pad": "FF FF"},
        "not one octet: FF FF, expected a single octet @ packet.pad",
    ),
    "pad begins a packet": (
        {"packet.pad": "A5"},
        (
            "pad begins a packet: A5, expected another octet than begins "
            "packet.fields.0.octets @ packet.pad"
        ),
    ),
    "pad is no delimiter": (
        {"packet.framing": "cobs"},
        (
            "pad begins a packet: FF, expected 00, the delimiter of cobs at "
            "packet.framing @ packet.pad"
        ),
    ),
    "pad in a silence": (
        {
            "packet.framing": "silence",
            "packet.silence": "1 ms",
            "traffic.pacing": "timed",
        },
        (
            "pad would be part of the packet: FF, expected none, for silence at "
            "packet.framing @ packet.pad"
        ),
    ),
    "pad after an address": (
        {
            "packet.framing": "ninth-bit",
            "bus.data_bits": 9,
            **ADDRESS_FIRST,
            LENGTH: {"kind": "literal", "octets": "01"},
        },
        (
            "pad would be part of the packet: FF, expected none, for ninth-bit at "
            "packet.framing @ packet.pad"
        ),
    ),
    "packed, and every packet goes on to the next": (
        {
            "packet.framing": "break",
            "packet.break": "92 us",
            "packet.mark_after_break": "12 us",
            "packet.pad": GONE,
            LENGTH: {"kind": "literal", "octets": "01"},
            "traffic.foreign.share": 0,
        },
        (
            "packed with nothing: packed, expected another, or foreign packets, since "
            "pads would be part of packets for break at packet.framing @ traffic.pacing"
        ),
    ),
    "octets of eight bits": (
        {"bus.data_bits": 7, "packet.pad": GONE},
        (
            "octet too wide: A5 5A, expected bits of one character, 7 as bus.data_bits "
            "@ packet.fields.0.octets"
        ),
    ),
    # --- addresses
    "wide address": (
        {"node.3.address": 256},
        (
            "too big for the address field: 256, expected at most 255, the size of "
            "packet.fields.1 @ node.3.address"
        ),
    ),
    "wide mask": (
        {f"{ADDRESS}.mask": 0x1FF},
        (
            "too big for the address field: 511, expected at most 255, the size of "
            "packet.fields.1 @ packet.fields.1.mask"
        ),
    ),
    "wide broadcast": (
        {f"{ADDRESS}.broadcast": [255, 256]},
        (
            "too big for the address field: 256, expected at most 255, the size of "
            "packet.fields.1 @ packet.fields.1.broadcast.1"
        ),
    ),
    "wide foreign": (
        {"traffic.foreign.addresses": [17, 256]},
        (
            "too big for the address field: 256, expected at most 255, the size of "
            "packet.fields.1 @ traffic.foreign.addresses.1"
        ),
    ),
    "same address": (
        {"node.2.address": 1},
        (
            "address of two nodes: 1, expected another than node.0.address "
            "@ node.2.address"
        ),
    ),
    "same address under the mask": (
        {
            f"{ADDRESS}.mask": 0x0F,
            "node.2.address": 0x41,
            "traffic.foreign.addresses": [],
        },
        (
            "address of two nodes: 65, expected another under the mask 0xF than "
            "node.0.address @ node.2.address"
        ),
    ),
    "broadcast address": (
        {"node.2.address": 255},
        (
            "address of a node is a broadcast: 255, expected another than "
            "packet.fields.1.broadcast.0 @ node.2.address"
        ),
    ),
    "broadcast address under the mask": (
        {
            f"{ADDRESS}.mask": 0x0F,
            f"{ADDRESS}.broadcast": [0, 0xF3],
            "traffic.foreign.addresses": GONE,
        },
        (
            "address of a node is a broadcast: 3, expected another, under the mask "
            "0xF, than packet.fields.1.broadcast.1 @ node.2.address"
        ),
    ),
    "foreign is a node": (
        {"traffic.foreign.addresses": [17, 3]},
        (
            "foreign address is not foreign: 3, expected none that matches "
            "node.2.address @ traffic.foreign.addresses.1"
        ),
    ),
    "foreign is a broadcast": (
        {"traffic.foreign.addresses": [255]},
        (
            "foreign address is not foreign: 255, expected none of "
            "packet.fields.1.broadcast @ traffic.foreign.addresses.0"
        ),
    ),
    "no foreign left": (
        {
            f"{ADDRESS}.mask": 3,
            f"{ADDRESS}.broadcast": GONE,
            "node.3.address": 4,
            "traffic.foreign.addresses": GONE,
        },
        (
            "no foreign packets, expected an address that no node matches, by the "
            "mask of packet.fields.1 @ traffic.foreign.share"
        ),
    ),
    "broadcast to nobody": (
        {f"{ADDRESS}.broadcast": GONE, "traffic.broadcast_every": 5},
        (
            "no broadcast: 5, expected 0, or a broadcast address at packet.fields.1 "
            "@ traffic.broadcast_every"
        ),
    ),
    "no sync": (
        {"processor.show": "sync"},
        (
            "nothing to show on: sync, expected packet, or broadcasts from "
            "traffic.broadcast_every @ processor.show"
        ),
    ),
}

# Four nodes of 40 octets each, side by side.
SHARED: dict[str, Any] = {
    "output.devices": 1,
    "output.register_bits": 40,
    "output.channel": GONE,
    "traffic.foreign": GONE,
    ADDRESS: {"kind": "literal", "octets": "01"},
    f"{PAYLOAD}.shared": True,
    f"{PAYLOAD}.most": 160,
    **{f"node.{index}.address": 40 * index + 1 for index in range(4)},
}

BROKEN |= {
    "shared and addressed": (
        {**SHARED, ADDRESS: {"kind": "address"}},
        (
            "address of a packet for all, expected none, for the shared payload at "
            "packet.fields.4 @ packet.fields.1"
        ),
    ),
    "shared from octet 0": (
        {**SHARED, "node.0.address": 0},
        (
            "not in the payload: octets 0 to 39, expected 1 to 160, as packet.fields.4 "
            "@ node.0.address"
        ),
    ),
    "shared, past the end": (
        {**SHARED, "node.3.address": 122},
        (
            "not in the payload: octets 122 to 161, expected 1 to 160, as "
            "packet.fields.4 @ node.3.address"
        ),
    ),
    "shared, overlapping": (
        {**SHARED, "node.1.address": 40},
        (
            "octets of two nodes: 40 to 79, expected none of 1 to 40, as "
            "node.0.address @ node.1.address"
        ),
    ),
}

SOUND: dict[str, dict[str, Any]] = {
    "causeway itself": {},
    "no length, fixed payload": {
        LENGTH: {"kind": "literal", "octets": "00"},
        PAYLOAD: {"kind": "payload", "octets": 3840},
        "traffic.foreign.lengths": [3840],
    },
    "length just big enough": {f"{LENGTH}.counts": "packet", f"{PAYLOAD}.most": 65_527},
    "length of the rest": {f"{LENGTH}.counts": "after", f"{PAYLOAD}.most": 65_533},
    "length not below zero": {
        f"{LENGTH}.add": -3840,
        f"{PAYLOAD}.least": 3840,
        "traffic.foreign.lengths": [3840],
    },
    "covers all before": {f"{CHECK}.covers": ["literal", "payload"]},
    "polynomial just fits": {
        f"{CHECK}.algorithm": {"width": 16, "poly": 0x8005, "init": 0xFFFF}
    },
    "check of the head": {
        SEQUENCE: {"kind": "check", "algorithm": "sum-8"},
        CHECK: {"kind": "literal", "octets": "0D"},
    },
    "pause as long as a silence": {"packet.silence": "1 ms", "packet.pause": "1 ms"},
    "pause of a character": {"packet.pause": "2.5 us"},
    "delimiter as pad": {"packet.framing": "slip", "packet.pad": "C0"},
    "pad like a later marker octet": {"packet.pad": "5A"},
    "silence": {
        "packet.framing": "silence",
        "packet.silence": "1 ms",
        "packet.pad": GONE,
        "traffic.pacing": "timed",
    },
    "break with a length": {
        "packet.framing": "break",
        "packet.break": "92 us",
        "packet.mark_after_break": "12 us",
    },
    "seven bits": {
        "bus.data_bits": 7,
        "packet.pad": "7F",
        f"{FIELDS}.0": {"kind": "literal", "octets": "25 5A"},
    },
    "ninth bit": {
        "packet.framing": "ninth-bit",
        "bus.data_bits": 9,
        **ADDRESS_FIRST,
    },
    "ninth bit to ninth bit": {
        "packet.framing": "ninth-bit",
        "bus.data_bits": 9,
        "packet.pad": GONE,
        **ADDRESS_FIRST,
        LENGTH: {"kind": "literal", "octets": "01"},
    },
    "shared, just inside": SHARED,
    "shared, of a fixed size": {
        **SHARED,
        PAYLOAD: {"kind": "payload", "octets": 160, "shared": True},
    },
    "shared, apart and backwards": {
        **SHARED,
        f"{PAYLOAD}.most": 512,
        "node.0.address": 473,
    },
    "other bits than the mask's": {
        f"{ADDRESS}.mask": 0x0F,
        f"{ADDRESS}.broadcast": [0, 0xF5],
        "traffic.foreign.addresses": GONE,
    },
    "widest address": {"node.3.address": 254},
    "two octets of address": {f"{ADDRESS}.size": 2, "node.3.address": 65_535},
    "told apart by the mask": {
        f"{ADDRESS}.mask": 7,
        "node.3.address": 0xFC,
        "traffic.foreign.addresses": [8],
    },
    "foreign drawn": {"traffic.foreign.addresses": GONE},
    "no address, one node": {
        ADDRESS: {"kind": "literal", "octets": "01"},
        "node": [{"name": "lone", "address": 0}],
        "traffic.foreign": GONE,
    },
}


def check_octets(name: str) -> int:
    """What the floor above hands in: two names that it knows."""
    sizes = {"CRC-16/MODBUS": 2, "sum-8": 1}
    if name not in sizes:
        mend = "ask the catalogue"
        raise BenchError(Fault("unknown check", name, "another name", mend=mend))
    return sizes[name]


@pytest.mark.parametrize(("changes", "line"), BROKEN.values(), ids=BROKEN)
def test_broken(changes: dict[str, Any], line: str) -> None:
    """A broken rule is said once, for all nodes that share it, and nothing else."""
    assert faults(changes, check_octets=check_octets) == [line]


@pytest.mark.parametrize("changes", SOUND.values(), ids=SOUND)
def test_sound(changes: dict[str, Any]) -> None:
    """What is just inside a rule is sound, and so is what is for trials to find."""
    assert faults(changes, check_octets=check_octets) == []


def test_nodes_without_address() -> None:
    """Several nodes without an address field, and foreign traffic, are two faults."""
    assert faults({ADDRESS: {"kind": "literal", "octets": "01"}}) == [
        (
            "every node takes every packet, expected an address field for the nodes "
            "of node @ packet.fields"
        ),
        (
            "no foreign packets, expected 0 %, since nothing says whom a packet is "
            "for at packet.fields @ traffic.foreign.share"
        ),
    ]


def test_names_of_checks_need_the_floor_above() -> None:
    """Without somebody who knows the names, a name is not examined."""
    assert faults({f"{CHECK}.algorithm": "no such thing"}) == []
