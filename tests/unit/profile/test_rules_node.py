"""Rules about nodes and traffic, and how rules go along with other faults."""

from __future__ import annotations

from typing import Any

import pytest
from unit.profile.edits import GONE, faults

PAYLOAD = "packet.fields.4"

BROKEN: dict[str, tuple[dict[str, Any], str]] = {
    # --- nodes
    "trigger above FIFO": (
        {"processor.uart.trigger": 9},
        (
            "trigger above the FIFO: 9, expected 1 to 8, as processor.uart.fifo "
            "@ processor.uart.trigger"
        ),
    ),
    "trigger of one node": (
        {"node.2.processor": {"uart": {"trigger": 9}}},
        (
            "trigger above the FIFO: 9, expected 1 to 8, as processor.uart.fifo "
            "@ node.2.processor.uart.trigger"
        ),
    ),
    "idle on empty": (
        {"processor.uart.idle_timeout": GONE, "processor.uart.idle_on_empty": True},
        (
            "no idle timeout: true, expected false, or a duration at "
            "processor.uart.idle_timeout @ processor.uart.idle_on_empty"
        ),
    ),
    "no count": (
        {"processor.interrupt.count": GONE},
        (
            "required key missing, expected an integer, for count at "
            "processor.interrupt.body @ processor.interrupt.count"
        ),
    ),
    "count without use": (
        {"processor.interrupt.body": "drain"},
        (
            "count without use: 4, expected none, or count at processor.interrupt.body "
            "@ processor.interrupt.count"
        ),
    ),
    "no order": (
        {"processor.interrupt.priority": ["bit", "bit", "complete"]},
        (
            "not an order: bit, bit, complete, expected receive, bit and complete, "
            "each once @ processor.interrupt.priority"
        ),
    ),
    "no timeout": (
        {"processor.resync": "timeout"},
        (
            "no timeout to wait for: timeout, expected forward or rescan, or a "
            "duration at packet.silence @ processor.resync"
        ),
    ),
    "narrow words": (
        {"output.lanes": 9, "output.devices": 17},
        (
            "more lanes than a port word has bits: 9, expected at most 8, the bits of "
            "output.word_octets @ output.lanes"
        ),
    ),
    "other payload": (
        {f"{PAYLOAD}.most": 3839},
        (
            "no packet fills the lanes: 3840 octets, expected 0 to 3839 octets, as "
            "packet.fields.4 @ output"
        ),
    ),
    "wide channel": (
        {"output.register_bits": 15},
        (
            "channel wider than its register: 16, expected at most 15, as "
            "output.register_bits @ output.channel.bits"
        ),
    ),
    "no such channel": (
        {"output.channel": {"bits": 16, "red": [0, 12]}},
        (
            "no such channel: 12, expected 0 to 11, by the bits of "
            "output.register_bits @ output.channel.red.1"
        ),
    ),
    "jitter without use": (
        {"output.stop": "count", "output.stop_jitter": "40 ns"},
        (
            "jitter without use: 40 ns, expected 0 ns, or dma at output.stop "
            "@ output.stop_jitter"
        ),
    ),
    "pause above gap": (
        {"output.longest_pause": "501 us"},
        (
            "pause longer than the latch gap: 501 us, expected at most 500 us, as "
            "output.latch_gap @ output.longest_pause"
        ),
    ),
    "slow clock": (
        {"output.longest_pause": "3999 ns"},
        (
            "clock too slow for its chain: 250 kHz, expected a period of at most "
            "3.999 us, by output.longest_pause @ output.clock"
        ),
    ),
    "clock as slow as the gap": (
        {"output.longest_pause": GONE, "output.latch_gap": "4 us"},
        (
            "clock too slow for its chain: 250 kHz, expected a period of at most "
            "3.999 us, by output.latch_gap @ output.clock"
        ),
    ),
    "long burst": (
        {"output.clock": "77 kHz"},
        (
            "burst and latch gap outlast a frame: 50.37 ms, expected at most 50 ms, a "
            "period of traffic.frame_rate @ output.clock"
        ),
    ),
    "long bursts one after another": (
        {
            "output.method": "port",
            "output.transfer_jitter": GONE,
            "output.clock": "620 kHz",
        },
        (
            "burst and latch gap outlast a frame: 50.05 ms, expected at most 50 ms, a "
            "period of traffic.frame_rate @ output.clock"
        ),
    ),
    "long kept gap": (
        {"output.kept_gap": "34.7 ms"},
        (
            "burst and latch gap outlast a frame: 50.06 ms, expected at most 50 ms, a "
            "period of traffic.frame_rate @ output.clock"
        ),
    ),
    "same name": (
        {"node.3.name": "ebb"},
        "name of two nodes: ebb, expected another than node.1.name @ node.3.name",
    ),
    "no answer": (
        {"node.1.observe": {"by": "reply"}},
        (
            "no answer: reply, expected another way, or half at bus.direction "
            "@ node.1.observe.by"
        ),
    ),
    # --- bus and traffic
    "turnaround of nobody": (
        {"bus.turnaround": "5 us"},
        (
            "time without use: 5 us, expected 0 ns, or half at bus.direction "
            "@ bus.turnaround"
        ),
    ),
    "packed silence": (
        {"packet.framing": "silence", "packet.silence": "1 ms", "packet.pad": GONE},
        (
            "packed leaves no silence: packed, expected timed or flood, for silence at "
            "packet.framing @ traffic.pacing"
        ),
    ),
    "packed with nothing": (
        {"packet.pad": GONE, "traffic.foreign.share": 0},
        (
            "packed with nothing: packed, expected another, or something to fill the "
            "line at packet.pad or traffic.foreign.share @ traffic.pacing"
        ),
    ),
    "foreign payload": (
        {"traffic.foreign.lengths": [16, 4097]},
        (
            "no payload of a packet: 4097, expected 0 to 4096 octets, as "
            "packet.fields.4 @ traffic.foreign.lengths.1"
        ),
    ),
    "bright when safe": (
        {"light.safe_level": "21 %"},
        (
            "safe level above the cap: 21 %, expected at most 20 %, as light.cap "
            "@ light.safe_level"
        ),
    ),
}

SOUND: dict[str, dict[str, Any]] = {
    "sync": {"processor.show": "sync", "traffic.broadcast_every": 1},
    "trigger at the top": {"processor.uart.trigger": 8},
    "interrupt too slow for the line": {"processor.interrupt.entry": "50 us"},
    "timeout": {"processor.resync": "timeout", "packet.silence": "100 us"},
    "words as wide as lanes": {
        "output.lanes": 9,
        "output.devices": 17,
        "output.word_octets": 2,
    },
    "shifters have no words": {
        "output.lanes": 9,
        "output.devices": 17,
        "output.method": "port",
        "output.transfer_jitter": GONE,
        "output.clock": "4 MHz",
    },
    "last payload": {f"{PAYLOAD}.most": 3840},
    "last channel": {"output.channel": {"bits": 16, "red": [11]}},
    "slowest clock": {"output.longest_pause": "4 us"},
    "slowest clock for the gap": {
        "output.longest_pause": GONE,
        "output.latch_gap": "4001 ns",
    },
    "longest burst": {"output.clock": "78 kHz"},
    "shorter kept gap, which a trial finds": {"output.kept_gap": "0.1 ms"},
    "strobe": {"output.latch": "strobe", "output.longest_pause": "1 us"},
    "answers": {
        "bus.direction": "half",
        "traffic.pacing": "timed",
        "node.1.observe": {"by": "reply"},
    },
    "safe at the cap": {"light.safe_level": "20 %"},
    "packed with foreign alone": {"packet.pad": GONE},
}


@pytest.mark.parametrize(("changes", "line"), BROKEN.values(), ids=BROKEN)
def test_broken(changes: dict[str, Any], line: str) -> None:
    """A broken rule is said once, for all nodes that share it, and nothing else."""
    assert faults(changes) == [line]


@pytest.mark.parametrize("changes", SOUND.values(), ids=SOUND)
def test_sound(changes: dict[str, Any]) -> None:
    """What is just inside a rule is sound, and so is what is for trials to find."""
    assert faults(changes) == []


def test_several_at_once() -> None:
    """Every broken rule speaks, in the order of the file."""
    lines = faults(
        {
            "light.safe_level": "21 %",
            "packet.pause": "2499 ns",
            "processor.uart.trigger": 9,
            "node.2.address": 1,
        }
    )
    places = [line.rpartition(" @ ")[2] for line in lines]
    assert places == [
        "packet.pause",
        "processor.uart.trigger",
        "node.2.address",
        "light.safe_level",
    ]


def test_rules_beside_faults_of_shape() -> None:
    """Rules whose inputs are sound speak along with faults of shape, after them."""
    lines = faults(
        {
            "processor.uart.fifo": "eight",  # silences the rule about the trigger
            "processor.uart.trigger": 9,
            "processor.interrupt.count": GONE,
            "node.1.address": True,  # silences nothing of other nodes
            "node.3.address": 1,
            "output.clock": "250 khz",
            "bus.turnaround": "5 us",
        }
    )
    assert lines == [
        (
            'wrong kind of value: "eight", expected an integer, 1 to 256 '
            "@ processor.uart.fifo"
        ),
        (
            "prefix or unit in the wrong case: 250 khz, expected a clock rate or a "
            "baud rate in Hz, kHz, MHz, GHz, baud, kbaud, Mbaud, Bd, kBd, MBd "
            "@ output.clock (did you mean 250 kHz?)"
        ),
        (
            "wrong kind of value: true, expected an integer, 0 to 4294967295 "
            "@ node.1.address"
        ),
        (
            "time without use: 5 us, expected 0 ns, or half at bus.direction "
            "@ bus.turnaround"
        ),
        (
            "required key missing, expected an integer, for count at "
            "processor.interrupt.body @ processor.interrupt.count"
        ),
    ]
