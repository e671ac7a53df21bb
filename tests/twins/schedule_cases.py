"""Small profiles drawn at random, as the twin's cases and as real profiles."""

from __future__ import annotations

import json
from fractions import Fraction

from hypothesis import strategies as st
from twins import packet_twin

from bench.base.seeds import stream_key
from bench.profile.model import Profile

FRAMINGS = ("marker", "cobs", "slip", "hdlc", "silence", "break", "ninth-bit")
SHARED_FRAMINGS = FRAMINGS[:-1]
"""A ninth bit marks an address, which a packet for all nodes does not have."""
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
def fields(draw, framing: str, shared: bool) -> list[dict]:
    """A packet layout, with an address unless it is shared, in some order."""
    order = st.sampled_from(["big", "little"])
    size = draw(st.sampled_from([1, 2]))
    address = {"kind": "address", "size": size, "order": draw(order)}
    head = [] if shared else [address]
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
    if framing == "marker" or draw(st.booleans()):
        head.append(length)
    head = draw(st.permutations(head))
    if framing == "ninth-bit":
        head = [address, *(field for field in head if field is not address)]
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
            kinds = [*(field["kind"] for field in head), "payload"]
            check["covers"] = (draw(st.sampled_from(kinds)), "payload")
        tail.append(check)
    return [*head, {"kind": "payload"}, *tail]


@st.composite
def cases(draw, framing: str, pacing: str, shared: bool = False) -> dict:
    """A case that can be sent."""
    case: dict = {"framing": framing, "pacing": pacing, "shared": shared}
    case["fields"] = draw(fields(framing, shared))
    nine = framing == "ninth-bit"
    bus = {
        "data_bits": 9 if nine else 8,
        "baud": draw(st.sampled_from([9600, 250_000, 3_000_000, 4_000_000, 1_234_567])),
        "parity": "none" if nine else draw(st.sampled_from(["none", "even"])),
        "stop_bits": draw(st.sampled_from([1, 1.5, 2])),
        "idle_ns": draw(st.sampled_from([0, 0, 137])),
    }
    bits = 1 + bus["data_bits"] + (bus["parity"] != "none") + Fraction(bus["stop_bits"])
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
    case["own_sizes"] = case["sizes"]
    case["broadcast_address"] = 255
    case["every"] = draw(st.sampled_from([0, 0, 1, 2]))
    case["sync"] = draw(st.booleans())
    if shared:
        _draw_windows(draw, case)
    case["broadcast_size"] = case["least"] if case["sync"] else case["sizes"][0]
    silent, broken = framing == "silence", framing == "break"
    case["silence_ns"] = draw(st.sampled_from([1_750_001, 40_000])) if silent else 0
    case["break_ns"] = draw(st.sampled_from([92_000, 101])) if broken else 0
    case["mark_ns"] = draw(st.sampled_from([12_000, 7])) if broken else 0
    pad = PADS.get(framing, draw(st.sampled_from([0xFF, 0x00])))
    case["pad"] = draw(st.sampled_from([pad, None]))
    _make_fillable(case, pad)
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


def _draw_windows(draw, case: dict) -> None:
    """Where in a shared payload the octets of each node lie, in any order."""
    case["every"], case["sync"] = 0, False
    end = 0
    for node in draw(st.permutations(range(len(case["sizes"])))):
        case["addresses"][node] = end + draw(st.integers(1, 5))
        end = case["addresses"][node] - 1 + case["sizes"][node]
    least = draw(st.sampled_from([0, 3, end + 7]))
    case["least"], case["most"] = least, max(least, end) + draw(st.integers(0, 5))
    case["own_sizes"] = [max(least, end)]


def _make_fillable(case: dict, pad: int) -> None:
    """Packed: pads lie between packets, or there are foreign packets to fill with."""
    if case["pacing"] != "packed":
        return
    kinds = [field["kind"] for field in case["fields"]]
    sized = "length" in kinds or case["least"] == case["most"]
    if case["shared"]:
        case["pad"] = pad
        if not sized:
            case["least"] = case["most"] = case["own_sizes"][0]
    elif case["framing"] in ("break", "ninth-bit") and not sized:
        case["pad"] = None


def _draw_load(draw, case: dict) -> None:
    """A frame rate and a foreign share that the line can carry."""
    around = case["silence_ns"] + case["break_ns"] + case["mark_ns"]
    sizes = [*case["own_sizes"], *([case["broadcast_size"]] if case["every"] else [])]
    frame_ns = sum(
        packet_twin.sizes(case, size)[1] * case["pitch_ns"] + around for size in sizes
    )
    load = draw(st.sampled_from([Fraction(1, 10), Fraction(1, 2), Fraction(19, 20)]))
    case["rate"] = max(1, int(load * 10**9 / frame_ns))
    own = float(case["rate"] * frame_ns / 10**9)
    case["share"] = 0
    if own < 1 and not case["shared"]:
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
        field["shared"] = case["shared"]
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
            "data_bits": bus["data_bits"],
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
                "addresses": [] if case["shared"] else case["foreign_addresses"],
                "lengths": case["lengths"],
            },
        },
    }
    return Profile.model_validate_json(json.dumps(whole))
