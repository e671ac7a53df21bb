"""The profiles that attacks are tried on."""

from __future__ import annotations

from functools import cache

from bench.fuzz.attacks import Attacks
from bench.fuzz.zoo.boards import SHORT, board
from bench.profile import load_profile

NINTH = (
    "bus.data_bits=9",
    "packet.framing=ninth-bit",
    (
        'packet.fields=[{kind="address",size=1,broadcast=[255]},'
        '{kind="payload",least=0,most=16},'
        '{kind="check",algorithm="CRC-16/MODBUS",order="little"}]'
    ),
    "packet.pad=",
    "packet.silence=100 us",
    "output.devices=1",
    "output.register_bits=16",
    "output.latch_gap=20 us",
    "traffic.foreign.lengths=[16]",
)
HDLC = (
    "packet.framing=hdlc",
    "packet.pad=7E",
    "output.devices=1",
    "output.register_bits=16",
    "packet.fields.2.octets=16",
)
NAMES = (*SHORT, "rescan", "paused", "patient", "synced", "ninth", "hdlc")


@cache
def attacks_on(name: str) -> Attacks:
    """The attacks on a board of the zoo, or on one of two more framings."""
    if name == "ninth":
        return Attacks(load_profile("causeway", NINTH))
    if name == "hdlc":
        return Attacks(load_profile("slipway", HDLC))
    return Attacks(board(name))
