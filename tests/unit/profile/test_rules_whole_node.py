"""Rules about how boards receive, show and send: the places of both are named."""

from __future__ import annotations

from typing import Any

import pytest
from unit.profile.edits import GONE, faults

TIMED = {
    "output.method": "timer",
    "output.transfer_jitter": GONE,
    "output.clock": "250 kHz",
}
NINTH = {
    "bus.data_bits": 9,
    "packet.framing": "ninth-bit",
    "packet.fields.0": {"kind": "address", "size": 1, "broadcast": [255]},
    "packet.fields.1": {"kind": "literal", "octets": "5A"},
}

BROKEN: dict[str, tuple[dict[str, Any], str]] = {
    "loop of nobody": (
        {"processor.poll": {"pass": "1 us"}},
        (
            "section without use, expected none, or poll at processor.receive "
            "@ processor.poll"
        ),
    ),
    "polled without a loop": (
        {"processor.receive": "poll"},
        (
            "required key missing, expected a section with its pass, for poll at "
            "processor.receive @ processor.poll"
        ),
    ),
    "DMA without a ring": (
        {"processor.receive": "dma"},
        (
            "required key missing, expected a section with its octets, for dma at "
            "processor.receive @ processor.dma"
        ),
    ),
    "ring of nobody": (
        {"processor.dma": {"octets": 64}},
        (
            "section without use, expected none, or dma at processor.receive "
            "@ processor.dma"
        ),
    ),
    "long arbitration": (
        {
            "processor.receive": "dma",
            "processor.dma": {"octets": 64, "arbitration": "2.5 us"},
        },
        (
            "longer than a character: 2.5 us, expected less than 2.5 us, a character "
            "at bus.baud @ processor.dma.arbitration"
        ),
    ),
    "mute without marks": (
        {"processor.uart.mute": True},
        (
            "no marked characters: true, expected false, or ninth-bit at "
            "packet.framing @ processor.uart.mute"
        ),
    ),
    "blackout never": (
        {"processor.on_silence": "blackout"},
        (
            "required key missing, expected a duration, for blackout at "
            "processor.on_silence @ processor.blackout_after"
        ),
    ),
    "while without use": (
        {"processor.blackout_after": "1 s"},
        (
            "while without use: 1 s, expected none, or blackout at "
            "processor.on_silence @ processor.blackout_after"
        ),
    ),
    "bits of no timer": (
        {"processor.interrupt.bit": "1 us"},
        (
            "cost without use: 1 us, expected 0 ns, or timer at output.method "
            "@ processor.interrupt.bit"
        ),
    ),
    "a bit for some lanes": (
        {"output.port_bits": [0, 1, 2]},
        (
            "not a bit for each lane: 3, expected 8, one for each of output.lanes "
            "@ output.port_bits"
        ),
    ),
    "a bit beyond the word": (
        {"output.port_bits": [0, 1, 2, 3, 4, 5, 6, 8]},
        (
            "no such bit of a port word: 8, expected 0 to 7, by output.word_octets "
            "@ output.port_bits.7"
        ),
    ),
    "a bit of two lanes": (
        {"output.port_bits": [0, 1, 2, 3, 4, 5, 6, 2]},
        (
            "port-word bit of two lanes: 2, expected another than output.port_bits.2 "
            "@ output.port_bits.7"
        ),
    ),
    "a strobe on a lane": (
        {"output.latch": "strobe", "output.strobe_bit": 3},
        (
            "strobe on the bit of lane 3: 3, expected a bit that is not in "
            "output.lanes @ output.strobe_bit"
        ),
    ),
    "a strobe on a lane's own bit": (
        {
            "output.latch": "strobe",
            "output.word_octets": 2,
            "output.port_bits": [8, 9, 10, 11, 12, 13, 14, 15],
            "output.strobe_bit": 9,
        },
        (
            "strobe on the bit of lane 1: 9, expected a bit that is not in "
            "output.port_bits.1 @ output.strobe_bit"
        ),
    ),
    "a strobe of nobody": (
        {"output.word_octets": 2, "output.strobe_bit": 15},
        (
            "strobe without use: 15, expected none, or strobe at output.latch "
            "@ output.strobe_bit"
        ),
    ),
    "UARTs with a clock": (
        {"output.method": "uart", "output.transfer_jitter": GONE},
        (
            "signal of other hardware: clocked, expected uart, for uart at "
            "output.method @ output.signal"
        ),
    ),
    "shifters with start bits": (
        {
            "output.method": "port",
            "output.signal": "uart",
            "output.transfer_jitter": GONE,
            "output.clock": "8 MHz",
        },
        (
            "signal of other hardware: uart, expected clocked, for port at "
            "output.method @ output.signal"
        ),
    ),
    "late words of a timer": (
        {**TIMED, "output.transfer_jitter": "60 ns"},
        (
            "time without use: 60 ns, expected 0 ns, or dma at output.method "
            "@ output.transfer_jitter"
        ),
    ),
    "stolen by a timer": (
        {**TIMED, "output.stolen": "60 ns"},
        (
            "time without use: 60 ns, expected 0 ns, or dma at output.method "
            "@ output.stolen"
        ),
    ),
    "lead of UART lanes": (
        {"output.signal": "uart", "output.lead": "60 ns"},
        (
            "time without use: 60 ns, expected 0 ns, or clocked at output.signal "
            "@ output.lead"
        ),
    ),
    "gap between lanes at once": (
        {"output.lane_gap": "60 ns"},
        (
            "time without use: 60 ns, expected 0 ns, or port at output.method "
            "@ output.lane_gap"
        ),
    ),
    "rate of a clock": (
        {"output.rate_error": 0.01},
        (
            "error without use: 0.01, expected 0, or uart at output.signal "
            "@ output.rate_error"
        ),
    ),
    "bits out of order": (
        {"output.signal": "uart", "output.transfer_jitter": "2 us"},
        (
            "bits out of order: 2 us, expected less than 2 us, half a bit at "
            "output.clock @ output.transfer_jitter"
        ),
    ),
    "a sync inside the node range": (
        {"packet.fields.1.broadcast": [2]},
        (
            "address of a node is a broadcast: 2, expected another than "
            "packet.fields.1.broadcast.0 @ node.1.address"
        ),
    ),
    "a pause shorter than a character": (
        {"packet.pause": "2 us"},
        (
            "shorter than a character: 2 us, expected at least 2.5 us, a character at "
            "bus.baud @ packet.pause"
        ),
    ),
}

SOUND: dict[str, dict[str, Any]] = {
    "a polled receiver": {
        "processor.receive": "poll",
        "processor.poll": {"pass": "1 us"},
    },
    "a ring": {
        "processor.receive": "dma",
        "processor.dma": {"octets": 64, "arbitration": "2499 ns"},
    },
    "darkness": {
        "processor.on_silence": "blackout",
        "processor.blackout_after": "1 s",
    },
    "a timer": {**TIMED, "processor.interrupt.bit": "1 us"},
    "128 UART lanes": {
        "output.method": "uart",
        "output.signal": "uart",
        "output.transfer_jitter": GONE,
        "output.lanes": 128,
        "output.devices": 1,
        "output.rate_error": -0.01,
    },
    "a strobe beside the lanes": {
        "output.latch": "strobe",
        "output.word_octets": 2,
        "output.strobe_bit": 15,
    },
    "lanes on other bits": {"output.port_bits": [7, 6, 5, 4, 3, 2, 1, 0]},
}


@pytest.mark.parametrize(("changes", "line"), BROKEN.values(), ids=BROKEN)
def test_broken(changes: dict[str, Any], line: str) -> None:
    """A broken rule is said once, with the places of both, and nothing else."""
    assert faults(changes) == [line]


@pytest.mark.parametrize("changes", SOUND.values(), ids=SOUND)
def test_sound(changes: dict[str, Any]) -> None:
    """What is just inside a rule is sound."""
    assert faults(changes) == []
