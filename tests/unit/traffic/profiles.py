"""Small profiles for tests of traffic, one for each framing."""

from __future__ import annotations

from itertools import repeat
from typing import TYPE_CHECKING

from bench.profile.load import load_profile, parse_profile
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.base.columns import Line, Sent
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


def small(framing: str = "marker", *overrides: str) -> Profile:
    """A small profile of one framing."""
    return parse_profile(SMALL.format(packet=PACKETS[framing]), overrides)


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
