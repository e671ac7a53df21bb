"""Profiles to make headers and sheets of: the shipped ones, and invented ones.

The invented ones are the shipped causeway with another framing, other fields, another
check or another output, so that every kind of each is among them.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from unit.profile.edits import GONE, changed

from bench.profile import Profile, load_profile, profile_of, shipped_profiles
from bench.wire.checks import Check

SLIP = {"packet.framing": "slip", "packet.pad": "C0"}

NO_MARKER = [
    {"kind": "address"},
    {"kind": "payload", "octets": 3840},
    {"kind": "check", "algorithm": "CRC-32/ISCSI", "order": "little"},
]
"""Fields of a packet that is delimited by something else."""

ODD_FIELDS = [
    {"kind": "literal", "octets": "5A"},
    {"kind": "length", "size": 3, "order": "little", "counts": "packet", "add": -9},
    {"kind": "address", "size": 2, "order": "little", "broadcast": [9], "mask": 32767},
    {"kind": "literal", "octets": "01 02"},
    {"kind": "check", "algorithm": "fletcher-16", "covers": ["payload", "sequence"]},
    {"kind": "payload", "least": 3, "most": 5000},
    {"kind": "literal", "octets": "03"},
    {"kind": "sequence", "size": 4, "order": "little"},
]
"""A check before what it covers, literals on either side, a length that takes off."""

SHARED = [
    {"kind": "literal", "octets": "00"},
    {"kind": "payload", "octets": 512, "shared": True},
]

SMALL = {"output.lanes": 2, "output.devices": 4, "output.register_bits": 24}

LAYOUT = [
    {"name": "amber", "bits": 12, "inverted": True},
    {"name": "red", "bits": 12, "first": 16, "red": True, "order": "lsb-first"},
]

INVENTED: dict[str, dict[str, Any]] = {
    "hdlc": {"packet.framing": "hdlc", "packet.pad": "7E"},
    "cobs-varies": {"packet.framing": "cobs", "packet.pad": "00"},
    "slip-varies": SLIP,
    "silence": {
        "packet.framing": "silence",
        "packet.silence": "100 us",
        "packet.pause": "50 us",
        "packet.pad": GONE,
        "packet.fields": NO_MARKER,
        "traffic.foreign": GONE,
        "traffic.pacing": "timed",
    },
    "break": {
        "packet.framing": "break",
        "packet.break": "92 us",
        "packet.mark_after_break": "12 us",
        "packet.pad": GONE,
        "packet.fields": NO_MARKER,
        "traffic.foreign": GONE,
        "traffic.pacing": "timed",
    },
    "ninth-bit": {
        "packet.framing": "ninth-bit",
        "packet.fields": NO_MARKER,
        "bus.data_bits": 9,
        "packet.pad": GONE,
        "traffic.foreign": GONE,
        "traffic.pacing": "timed",
        "processor.uart.mute": True,
    },
    "odd-fields": {"packet.fields": ODD_FIELDS, "bus.baud": "2999999 baud"},
    "shared": {
        "packet.framing": "slip",
        "packet.pad": "C0",
        "packet.fields": SHARED,
        "traffic.foreign": GONE,
        "node.1.address": 30,
        "node.2.address": 60,
        "node.3.address": 489,
        **SMALL,
    },
    "no-check": {"packet.fields.5": GONE},
    "kinds": {
        "node.1.output": {"lanes": 4, "devices": 40},
        "node.2.processor": {"clock": "72 MHz", "receive": "poll"},
        "node.2.processor.poll": {"pass": "1 us"},
    },
    "sync": {
        "processor.show": "sync",
        "traffic.broadcast_every": 1,
        "processor.on_silence": "blackout",
        "processor.blackout_after": "3 s",
        "bus.direction": "half",
        "bus.turnaround": "40 us",
        "bus.parity": "even",
        "bus.stop_bits": 1.5,
        "bus.baud": "3 Mbaud",
        "traffic.frame_rate": "12 Hz",
    },
    "strobe": {
        "output.latch": "strobe",
        "output.lanes": 3,
        "output.port_bits": [9, 0, 4],
        "output.strobe_bit": 15,
        "output.word_octets": 2,
        "output.header_bits": 3,
        "output.register_bits": 28,
        "output.bit_order": "lsb-first",
        "output.channel": {"bits": 12, "red": [0], "device_0": "last-out"},
        "processor.clock": "64 MHz",
        "processor.clock_error": "1 %",
        "processor.ram": 60_000,
        "processor.uart.oversampling": 16,
        "processor.uart.steps": 16,
        "output.driver_supply": "3.3 V",
        "output.input": "cmos",
        "output.input_supply": "5 V",
        "bus.bias_supply": "5 V",
        "bus.stub": "30 cm",
        "bus.rise_time": "20 ns",
        "bus.velocity": 0.66,
        "bus.bit_error_ratio": 1e-9,
        "bus.adapter": {"clock": "48 MHz", "steps": 8},
    },
    "uarts": {
        "output.method": "uart",
        "output.signal": "uart",
        "output.stop_latency": GONE,
        "output.transfer_jitter": GONE,
        "output.clock": "500 kbaud",
    },
    "layout": {
        "output.register_bits": 32,
        "output.devices": 6,
        "output.channel": {
            "layout": LAYOUT,
            "lane": [{"lanes": [1, 6], "devices": 3, "bits": 16, "layout": []}],
        },
    },
}
"""Changes of the causeway, by the name of what comes of them."""

CHECKS: tuple[str | dict[str, Any], ...] = (
    "CRC-8/SMBUS",
    "CRC-8/MAXIM-DOW",
    "CRC-16/XMODEM",
    "CRC-32/ISO-HDLC",
    "CRC-32/BZIP2",
    "CRC-64/XZ",
    "CRC-64/ECMA-182",
    "CRC-12/UMTS",
    "CRC-15/CAN",
    "CRC-5/USB",
    "CRC-3/GSM",
    "CRC-24/OPENPGP",
    "sum-8",
    "sum-16",
    "lrc-8",
    "xor-8",
    "fletcher-16",
    "fletcher-32",
    "none",
    {"width": 12, "poly": 0x80F, "init": 0x123, "refin": True, "xorout": 0xFFF},
    {"width": 7, "poly": 0x09, "init": 0x11, "refout": True},
)
"""Every kind of check, and CRCs of either direction whose widths are no octets."""


def octets_of(name: str) -> int:
    """Octets of a named check."""
    return Check.named(name).size


def check_names() -> list[str]:
    """Names of profiles, one a check."""
    return [f"check-{at}" for at in range(len(CHECKS))]


NAMES = [*shipped_profiles(), *INVENTED, *check_names()]
"""Every profile there is here."""


@cache
def paper_profile(name: str) -> Profile:
    """One of the profiles."""
    if name in shipped_profiles():
        return load_profile(name, check_octets=octets_of)
    changes = INVENTED.get(name)
    if changes is None:
        algorithm = CHECKS[int(name.removeprefix("check-"))]
        changes = {"packet.fields.5.algorithm": algorithm}
    return profile_of(changed({"name": name, **changes}), check_octets=octets_of)
