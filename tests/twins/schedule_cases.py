"""Small profiles drawn at random, as the twin's cases and as real profiles."""

from __future__ import annotations

import json
from fractions import Fraction

from hypothesis import strategies as st
from twins import packet_twin

from bench.base.seeds import stream_key
from bench.profile.model import Profile

FRAMINGS = ("marker", "cobs", "slip", "hdlc", "silence", "break")
PACINGS = ("packed", "timed", "flood")
PATTERNS = (
    "random",
    "ramp",
    "walking-one",
    "checkerboard",
    "constant-C0",
    "worst-stuffing",
    "prbs9",
    "prbs15",
    "prbs23",
    "prbs31",
    "play",
)
PADS = {"cobs": 0x00, "slip": 0xC0, "hdlc": 0x7E}
CRCS = (
    {"width": 16, "poly": 0x8005, "init": 0xFFFF, "refin": True, "refout": True},
    {"width": 8, "poly": 0x07, "init": 0, "refin": False, "refout": False},
    {"width": 32, "poly": 0x04C11DB7, "init": 2**32 - 1, "refin": True, "refout": True},
)


def keys(seed: int) -> dict:
    """The Philox keys of a schedule's streams."""
    streams = ("payload", "dither", "foreign mix", "foreign")
    return {stream: stream_key(seed, stream) for stream in streams}


@st.composite
def fields(draw, framing: str) -> list[dict]:
    """A packet layout, with an address, in some order."""
    order = st.sampled_from(["big", "little"])
    head = [
        {"kind": "address", "size": draw(st.sampled_from([1, 2])), "order": draw(order)}
    ]
    if draw(st.booleans()):
        head.append({"kind": "sequence", "size": 1, "order": draw(order)})
    counts = draw(st.sampled_from(["payload", "after", "packet"]))
    add = draw(st.sampled_from([0, 3]))
    length = {
        "kind": "length",
        "size": 2,
        "order": draw(order),
        "counts": counts,
        "add": add,
    }
    if framing in ("marker", "break") or draw(st.booleans()):
        head.append(length)
    head = draw(st.permutations(head))
    if framing == "marker":
        head = [
            {"kind": "literal", "octets": draw(st.binary(min_size=1, max_size=3))},
            *head,
        ]
    tail = []
    if draw(st.booleans()):
        tail.append({"kind": "literal", "octets": b"\x0d"})
    algorithm = draw(
        st.sampled_from(
            [
                "none-at-all",
                "sum-8",
                "sum-16",
                "lrc-8",
                "xor-8",
                "fletcher-16",
                *range(3),
            ]
        )
    )
    if algorithm != "none-at-all":
        if isinstance(algorithm, int):
            algorithm = {**CRCS[algorithm], "xorout": draw(st.sampled_from([0, 0x55]))}
        check = {"kind": "check", "algorithm": algorithm, "order": draw(order)}
        if draw(st.booleans()):
            check["covers"] = ("address", "payload") if head[-1] is not length else None
            kinds = [field["kind"] for field in head]
            check["covers"] = (draw(st.sampled_from(kinds)), "payload")
        tail.append(check)
    return [*head, {"kind": "payload"}, *tail]


@st.composite
def cases(draw, framing: str, pacing: str) -> dict:
    """A case that can be sent."""
    case: dict = {"framing": framing, "pacing": pacing, "fields": draw(fields(framing))}
    bus = {
        "baud": draw(st.sampled_from([9600, 250_000, 3_000_000, 4_000_000, 1_234_567])),
        "parity": draw(st.sampled_from(["none", "even"])),
        "stop_bits": draw(st.sampled_from([1, 1.5, 2])),
        "idle_ns": draw(st.sampled_from([0, 0, 137])),
    }
    bits = 1 + 8 + (bus["parity"] != "none") + Fraction(bus["stop_bits"])
    case["bus"], case["idle_ns"] = bus, bus["idle_ns"]
    case["pitch_ns"] = bits * 10**9 / bus["baud"] + bus["idle_ns"]
    case["least"], case["most"] = draw(st.sampled_from([(0, 40), (0, 30), (3, 35)]))
    lanes = draw(st.lists(st.integers(1, 10), min_size=1, max_size=3))
    case["lanes"] = [(count, draw(st.sampled_from([1, 3]))) for count in lanes]
    case["sizes"] = [max(3, count * octets) for count, octets in case["lanes"]]
    case["lanes"] = [
        pair if pair[0] * pair[1] >= 3 else (3, 1) for pair in case["lanes"]
    ]
    case["addresses"] = list(range(1, len(lanes) + 1))
    case["broadcast_address"] = 255
    case["every"] = draw(st.sampled_from([0, 0, 1, 2]))
    case["sync"] = draw(st.booleans())
    case["broadcast_size"] = case["least"] if case["sync"] else case["sizes"][0]
    silent, broken = framing == "silence", framing == "break"
    case["silence_ns"] = draw(st.sampled_from([1_750_001, 40_000])) if silent else 0
    case["break_ns"] = draw(st.sampled_from([92_000, 101])) if broken else 0
    case["mark_ns"] = draw(st.sampled_from([12_000, 7])) if broken else 0
    pad = PADS.get(framing, draw(st.sampled_from([0xFF, 0x00])))
    case["pad"] = draw(st.sampled_from([pad, None]))
    marker = case["fields"][0].get("octets", b"")
    case["marker"] = marker
    case["pattern"] = draw(st.sampled_from(PATTERNS))
    case["recording"] = draw(st.binary(min_size=1, max_size=50))
    case["together"] = draw(st.booleans())
    case["dither"] = draw(st.sampled_from([0, 50_000, 500_000]))
    case["foreign_addresses"] = draw(
        st.sampled_from([[17, 18, 19], [40], [20, 20, 90]])
    )
    lengths = draw(st.sampled_from([[], [0, 5, 33], [12]]))
    case["lengths"] = lengths
    case["foreign_sizes"] = lengths or case["sizes"]
    _draw_load(draw, case)
    return case


def _draw_load(draw, case: dict) -> None:
    """A frame rate and a foreign share that the line can carry."""
    around = case["silence_ns"] + case["break_ns"] + case["mark_ns"]
    sizes = [*case["sizes"], *([case["broadcast_size"]] if case["every"] else [])]
    frame_ns = sum(
        packet_twin.sizes(case, size)[1] * case["pitch_ns"] + around for size in sizes
    )
    load = draw(st.sampled_from([Fraction(1, 10), Fraction(1, 2), Fraction(19, 20)]))
    case["rate"] = max(1, int(load * 10**9 / frame_ns))
    own = float(case["rate"] * frame_ns / 10**9)
    case["share"] = 0
    if own < 1:
        share = draw(st.sampled_from([0.0, 0.3, 0.9]))
        case["share"] = int((1 - own) * share * 1_000_000)


def _field(case: dict, field: dict) -> dict:
    field = dict(field)
    if field["kind"] == "literal":
        field["octets"] = field["octets"].hex(" ")
    if field["kind"] == "address":
        field["broadcast"] = [255]
    if field["kind"] == "payload":
        field["least"], field["most"] = case["least"], case["most"]
    return {key: value for key, value in field.items() if value is not None}


def profile_of(case: dict) -> Profile:
    """The profile that a case describes."""
    bus = case["bus"]
    packet = {
        "framing": case["framing"],
        "fields": [_field(case, field) for field in case["fields"]],
    }
    if case["pad"] is not None:
        packet["pad"] = f"{case['pad']:02X}"
    for key, name in (
        ("silence_ns", "silence"),
        ("break_ns", "break"),
        ("mark_ns", "mark_after_break"),
    ):
        if case[key]:
            packet[name] = f"{case[key]} ns"
    nodes = [
        {
            "name": f"node {index}",
            "address": case["addresses"][index],
            "processor": {
                "show": "sync" if case["sync"] else "packet",
                "interrupt": {"per_character": "1 us"},
            },
            "output": {
                "lanes": lanes,
                "devices": 1,
                "register_bits": 8 * octets,
                "clock": "1 MHz",
                "latch_gap": "1 us",
            },
        }
        for index, (lanes, octets) in enumerate(case["lanes"])
    ]
    whole = {
        "profile": 1,
        "name": "drawn",
        "bus": {
            "baud": bus["baud"],
            "parity": bus["parity"],
            "stop_bits": bus["stop_bits"],
            "virtual_idle": f"{bus['idle_ns']} ns",
        },
        "packet": packet,
        "node": nodes,
        "traffic": {
            "frame_rate": case["rate"],
            "pacing": case["pacing"],
            "spread": "together" if case["together"] else "even",
            "pattern": case["pattern"],
            "dither": case["dither"] / 1_000_000,
            "broadcast_every": case["every"],
            "foreign": {
                "share": case["share"] / 1_000_000,
                "addresses": case["foreign_addresses"],
                "lengths": case["lengths"],
            },
        },
    }
    return Profile.model_validate_json(json.dumps(whole))
