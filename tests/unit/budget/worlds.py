"""Random profiles: every way in, every way out, loads from light to too much.

Costs are simple parts of a character's time, so that some boards keep up easily, some
barely and some not at all.
"""

from __future__ import annotations

import random
from typing import Any

from bench.base.errors import BenchError
from bench.profile import Profile, profile_of
from bench.traffic.refusal import refuse
from bench.wire.checks import Check

PADS = {"marker": "FF", "cobs": "00", "slip": "C0", "hdlc": "7E"}
FRAMINGS = ("marker", "marker", "cobs", "slip", "hdlc", "silence", "break", "ninth-bit")
OUTPUTS = (
    ("dma", "clocked"),
    ("dma", "clocked"),
    ("timer", "clocked"),
    ("timer", "uart"),
    ("port", "clocked"),
    ("uart", "uart"),
    ("dma", "uart"),
)


def ns(value: float) -> str:
    """A duration as a profile writes it."""
    return f"{max(0, round(value))} ns"


def profile(seed: int) -> Profile:
    """A random profile that can be sent."""
    draw = random.Random(f"budget {seed}")
    while True:
        try:
            made = profile_of(_tables(draw), (), lambda name: Check.named(name).size)
            refuse(made)
        except BenchError:
            continue
        return made


def _tables(draw: random.Random) -> dict[str, Any]:
    baud = draw.choice([250_000, 1_000_000, 3_000_000, 4_000_000, 6_000_000, 3_999_971])
    character_ns = 10e9 / baud
    lanes, devices = draw.choice([1, 2, 5, 8]), draw.choice([1, 2, 5, 12])
    octets = lanes * devices * 3
    framing = draw.choice(FRAMINGS)
    nodes = draw.choice([1, 2, 3, 4])
    receive, processor = _processor(draw, framing, character_ns)
    pacing = draw.choice(["packed", "packed", "timed", "flood"])
    if framing == "silence" and pacing == "packed":
        pacing = "timed"
    on_sync = receive != "poll" and draw.random() < 0.1
    if on_sync:
        processor["show"] = "sync"
    packet = _packet(draw, framing, octets, character_ns)
    frame_ns = nodes * (octets + 12) * character_ns / draw.choice([0.2, 0.5, 0.7, 0.85])
    every = 1 if on_sync else draw.choice([0, 0, 0, 1, 3])
    rate = max(1, round(1e9 / frame_ns / (1 + (every == 1))))
    traffic = {
        "frame_rate": f"{rate} Hz",
        "pacing": pacing,
        "spread": draw.choice(["even", "even", "together"]),
        "dither": draw.choice([0, 0.05, 0.3]),
        "broadcast_every": every,
        "foreign": {
            "share": draw.choice([0, 0.1, 0.3]),
            "addresses": [17, 18],
            **({"lengths": [0, octets, 40]} if draw.random() < 0.5 else {}),
        },
    }
    output = _output(draw, lanes, devices, 1e9 / rate)
    if draw.random() < 0.1:
        processor["on_silence"] = "blackout"
        processor["blackout_after"] = ns(draw.choice([100 * character_ns, 8e9 / rate]))
    if output["method"] != "timer":
        del processor["interrupt"]["bit"]
    if framing == "ninth-bit":
        processor["uart"]["mute"] = draw.random() < 0.3
    return {
        "profile": 1,
        "name": "world",
        "bus": {
            "baud": baud,
            "data_bits": 9 if framing == "ninth-bit" else 8,
            "virtual_idle": ns(draw.choice([0, 0, 0, character_ns / 3])),
            "stop_bits": draw.choice([1, 1, 2]),
        },
        "packet": packet,
        "processor": processor,
        "output": output,
        "node": [{"name": f"n{k}", "address": k + 1} for k in range(nodes)],
        "traffic": traffic,
    }


def _packet(
    draw: random.Random, framing: str, octets: int, character_ns: float
) -> dict[str, Any]:
    fields: list[dict[str, Any]] = [
        {"kind": "address", "broadcast": [255]},
        {"kind": "length", "size": 2},
        {"kind": "payload", "least": 0, "most": octets + 50},
        {"kind": "check", "algorithm": "CRC-16/MODBUS"},
    ]
    packet: dict[str, Any] = {"framing": framing, "fields": fields}
    if framing == "marker":
        fields.insert(0, {"kind": "literal", "octets": "A5 5A"})
    if framing in PADS and draw.random() < 0.8:
        packet["pad"] = PADS[framing]
    if framing == "silence":
        packet["silence"] = ns(4 * character_ns)
    if framing == "break":
        packet["break"] = ns(1.5 * character_ns)
        packet["mark_after_break"] = ns(0.5 * character_ns)
    return packet


def _processor(
    draw: random.Random, framing: str, character_ns: float
) -> tuple[str, dict[str, Any]]:
    receive = draw.choice(["interrupt", "interrupt", "interrupt", "poll", "dma"])
    fifo = draw.choice([1, 2, 4, 8, 16])
    part = character_ns * draw.choice([0.02, 0.05, 0.1, 0.2])
    interrupt = {
        "entry": ns(part * draw.choice([0, 1, 3])),
        "exit": ns(part * draw.choice([0, 1, 3])),
        "per_character": ns(max(1, part * draw.choice([0.5, 1, 2]))),
        "per_packet": ns(part * draw.choice([0, 0, 4])),
        "bit": ns(part * draw.choice([1, 2])),
        "masked": ns(part * draw.choice([0, 0, 5, 20])),
        "priority": draw.sample(["receive", "bit", "complete"], 3),
        "body": draw.choice(["drain", "drain", "count", "one"]),
    }
    if interrupt["body"] == "count":
        interrupt["count"] = draw.choice([1, 2, 4, 8])
    uart: dict[str, Any] = {
        "fifo": fifo,
        "trigger": draw.choice([1, max(1, fifo // 2), fifo]),
        "overrun": draw.choice(["drop", "drop", "hold", "overwrite", "stall"]),
        "fires": draw.choice(["level", "level", "transition"]),
    }
    if framing == "silence":
        uart |= {"idle_timeout": ns(5.6 * character_ns), "idle_on_empty": True}
    elif draw.random() < 0.8:
        uart["idle_timeout"] = ns(character_ns * draw.choice([1.5, 3, 5]))
        uart["idle_restart"] = draw.choice(["character", "character-or-read"])
    work = character_ns * draw.choice([0.05, 0.2, 0.5, 1])
    processor: dict[str, Any] = {
        "receive": receive,
        "uart": uart,
        "interrupt": interrupt,
        "rearrange": {
            "fixed": ns(work * draw.choice([0, 5])),
            "per_octet": ns(work),
            "start_output": ns(work * draw.choice([0, 1, 10])),
        },
        "buffers": {
            "receive": draw.choice([1, 2, 2, 3]),
            "port_words": draw.choice([1, 2, 2, 3]),
            "port_words_full": draw.choice(["wait", "wait", "drop"]),
        },
    }
    if receive == "poll":
        processor["poll"] = {"pass": ns(max(1, part * draw.choice([1, 2])))}
    if receive == "dma":
        processor["dma"] = {
            "octets": draw.choice([4, 16, 33, 64]),
            "arbitration": ns(draw.choice([0, character_ns / 4])),
        }
    return receive, processor


def _output(
    draw: random.Random, lanes: int, devices: int, period_ns: float
) -> dict[str, Any]:
    method, signal = draw.choice(OUTPUTS)
    bits = devices * 24 * (10 / 8 if signal == "uart" else 1)
    bits *= lanes if method == "port" else 1
    clock = bits * 1e9 / period_ns / draw.choice([0.1, 0.4, 0.7, 0.9])
    cycle_ns = 1e9 / clock
    output: dict[str, Any] = {
        "method": method,
        "signal": signal,
        "lanes": lanes,
        "devices": devices,
        "register_bits": 24,
        "clock": round(clock),
        "latch_gap": ns(max(2.5 * cycle_ns, period_ns * draw.choice([0.01, 0.05]))),
    }
    if method == "dma" and signal == "clocked":
        output["rise"] = draw.choice([0.25, 0.5, 0.75])
        output["stop"] = draw.choice(["dma", "dma", "count", "interrupt"])
        output["stop_latency"] = ns(cycle_ns * draw.choice([0.05, 0.2, 0.6, 1.4]))
        output["runt"] = ns(cycle_ns * draw.choice([0, 0.02]))
        output["setup"] = ns(cycle_ns * draw.choice([0, 0.1]))
        output["transfer_jitter"] = ns(cycle_ns * draw.choice([0, 0.05, 0.4]))
        if output["stop"] == "dma":
            output["stop_jitter"] = ns(cycle_ns * draw.choice([0, 0.1]))
        if draw.random() < 0.05:
            output["lead"] = ns(1.5 * cycle_ns)
    if method == "dma" and draw.random() < 0.2:
        output["stolen"] = ns(cycle_ns * 0.05)
    if method == "port":
        output["stop"] = draw.choice(["count", "interrupt"])
        output["stop_latency"] = ns(cycle_ns * draw.choice([0.2, 2]))
        output["lane_gap"] = ns(cycle_ns * draw.choice([0, 3]))
    if signal == "uart":
        output["rate_error"] = draw.choice([0, 0, 0.02, -0.02])
    return output
