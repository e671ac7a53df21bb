"""Small profiles for tests of traffic, one for each framing."""

from __future__ import annotations

from itertools import repeat
from typing import TYPE_CHECKING

from bench.profile.load import load_profile, parse_profile
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.base.columns import Flaw, Line, Sent
    from bench.profile.model import Profile

CRC = '{ kind = "check", algorithm = "CRC-16/MODBUS", order = "little" }'
ADDRESS = '{ kind = "address", size = 1, broadcast = [255] }'
LENGTH = '{ kind = "length", size = 2 }'

PACKETS = {
    "marker": f"""
framing = "marker"
pad = "FF"
fields = [{{ kind = "literal", octets = "A5 5A" }}, {ADDRESS}, {LENGTH},
  {{ kind = "payload", least = 0, most = 64 }}, {CRC}]
""",
    "cobs": f"""
framing = "cobs"
pad = "00"
fields = [{ADDRESS}, {{ kind = "sequence" }}, {{ kind = "payload", most = 64 }}, {CRC}]
""",
    "slip": f"""
framing = "slip"
pad = "C0"
fields = [{ADDRESS}, {{ kind = "payload", most = 64 }}, {CRC}]
""",
    "hdlc": f"""
framing = "hdlc"
pad = "7E"
fields = [{ADDRESS}, {{ kind = "payload", most = 64 }}, {CRC}]
""",
    "silence": f"""
framing = "silence"
silence = "100 us"
fields = [{ADDRESS}, {{ kind = "payload", most = 64 }}, {CRC}]
""",
    "break": f"""
framing = "break"
break = "92 us"
mark_after_break = "12 us"
pad = "FF"
fields = [{ADDRESS}, {LENGTH}, {{ kind = "payload", most = 64 }}, {CRC}]
""",
    "ninth-bit": f"""
framing = "ninth-bit"
pad = "FF"
fields = [{ADDRESS}, {LENGTH}, {{ kind = "payload", most = 64 }}, {CRC}]
""",
}

SMALL = """
profile = 1
name = "small"
[bus]
baud = "1 Mbaud"
[packet]
{packet}
[processor]
interrupt = {{ per_character = "1 us" }}
[output]
lanes = 4
devices = 1
register_bits = 32
clock = "1 MHz"
latch_gap = "10 us"
[[node]]
name = "ebb"
address = 1
[[node]]
name = "flood-gate"
address = 2
[traffic]
frame_rate = "200 Hz"
pacing = "timed"
foreign = {{ share = "10 %", addresses = [17, 18], lengths = [4, 20] }}
"""
"""Two nodes of 16 octets each; a fifth of the line is theirs."""

FOREIGN = 'foreign = { share = "10 %", addresses = [17, 18], lengths = [4, 20] }'


def small(framing: str = "marker", *overrides: str) -> Profile:
    """A small profile of one framing."""
    if framing == "ninth-bit":
        overrides = ("bus.data_bits=9", *overrides)
    return parse_profile(SMALL.format(packet=PACKETS[framing]), overrides)


def shared(framing: str = "marker", *overrides: str) -> Profile:
    """A small profile whose nodes take octets 1 to 16 and 21 to 36 of one packet."""
    packet = PACKETS[framing].replace(f"{ADDRESS}, ", "")
    packet = packet.replace('kind = "payload"', 'kind = "payload", shared = true')
    text = SMALL.format(packet=packet).replace(FOREIGN, "")
    return parse_profile(text, ["node.1.address=21", *overrides])


def character_ns(framing: str) -> int:
    """A character of a small profile at 1 Mbaud: 8N1, or 9N1."""
    return 11_000 if framing == "ninth-bit" else 10_000


def places(line: Line, kind: Flaw) -> list[int]:
    """Where in a chunk the characters of one kind are."""
    flaws = line.flaws
    return [int(at) for at in flaws["at"][flaws["kind"] == kind]]


def causeway(*overrides: str) -> Profile:
    """The shipped example."""
    return load_profile("causeway", overrides)


def chunks(
    profile: Profile, most: int = 1 << 16, **ends: int
) -> Iterator[tuple[Line, Sent]]:
    """Every chunk of a schedule with seed 1."""
    schedule = Schedule(profile, seed=1, **ends)
    for size in repeat(most):
        chunk = schedule.take(size)
        if chunk is None:
            return
        yield chunk
