"""Traffic against published standards."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from unit.traffic.profiles import chunks

from bench.base.columns import Flaw
from bench.profile.load import parse_profile
from bench.traffic.load import most_frame_rate

if TYPE_CHECKING:
    from bench.profile.model import Profile

NODE = """
[processor]
interrupt = { per_character = "1 us" }
[[node]]
name = "harbour-end"
address = 17
[output]
devices = 1
register_bits = 8
clock = "1 MHz"
latch_gap = "10 us"
"""

# MODBUS over Serial Line V1.02: 2.5.1 (11-bit characters, CRC low octet first), 2.5.1.1
# (silence of 3.5 characters up to 19,200 baud).
MODBUS = """
profile = 1
name = "polls"
[bus]
baud = 9600
parity = "even"
[packet]
framing = "silence"
silence = "4010417 ns"
fields = [
  { kind = "address", size = 1, broadcast = [0] },
  { kind = "payload", least = 1, most = 253 },
  { kind = "check", algorithm = "CRC-16/MODBUS", order = "little" },
]
[traffic]
frame_rate = "1 Hz"
pacing = "flood"
pattern = "play"
foreign = { share = 0 }
"""

# ANSI E1.11 (DMX512-A): 250 kbaud 8N2, break of 92 us, mark of 12 us, a start code.
DMX = """
profile = 1
name = "slots"
[bus]
baud = "250 kbaud"
stop_bits = 2
[packet]
framing = "break"
break = "92 us"
mark_after_break = "12 us"
fields = [{ kind = "literal", octets = "00" }, { kind = "payload", most = 512 }]
[traffic]
frame_rate = "1 Hz"
pacing = "flood"
"""


def modbus(lanes: int) -> Profile:
    """Frames with payloads of so many octets."""
    return parse_profile(MODBUS + NODE, [f"output.lanes={lanes}"])


def dmx(slots: int, *overrides: str) -> Profile:
    """Packets with so many slots."""
    shape = ("output.lanes=1", f"output.register_bits={8 * slots}")
    return parse_profile(DMX + NODE, [*shape, *overrides])


# Requests of the protocol's own examples (PDUs of chapter 6), with their CRC.
@pytest.mark.parametrize(
    "frame",
    [
        "11 01 00 13 00 25 0E 84",
        "11 02 00 C4 00 16 BA A9",
        "11 03 00 6B 00 03 76 87",
        "11 04 00 08 00 01 B2 98",
    ],
)
def test_modbus_frames(frame):
    """Address, recorded payload, CRC: the published frame, octet for octet."""
    octets = bytes.fromhex(frame)
    recording = np.frombuffer(octets[1:-2], np.uint8)
    ((line, sent),) = chunks(modbus(5), packets=3, recording=recording)
    assert bytes(line.octets) == 3 * octets
    # Eight characters of 11 bits, then a silence of 3.5 of them, rounded up.
    period_ns = sent.rows["start_ns"][1] - sent.rows["start_ns"][0]
    assert period_ns == -(-8 * 11 * 10**9 // 9600) + 4_010_417


@pytest.mark.parametrize(
    ("slots", "per_second"), [(512, 44.099), (24, 830.56), (375, 60.067)]
)
def test_dmx_refresh_rates(slots, per_second):
    """512 slots 44.099 times a second, 24 slots 830.56; 375 are the most at 60."""
    ((_, sent),) = chunks(dmx(slots), packets=5)
    period_ns = np.diff(sent.rows["start_ns"])
    assert (period_ns == 92_000 + 12_000 + 44_000 * (1 + slots)).all()
    assert 1e9 / period_ns[0] == pytest.approx(per_second, abs=6e-3)
    assert most_frame_rate(dmx(slots)) == pytest.approx(1e9 / period_ns[0])
    assert most_frame_rate(dmx(375)) > 60 > most_frame_rate(dmx(376))


def test_dmx_line():
    """A break of 92 us, 12 us of mark, the start code, then the slots without a gap.

    A packet of any number of slots ends with the next break, so there is one more.
    """
    ((line, _),) = chunks(dmx(24, "traffic.pattern=ramp"), packets=2)
    assert bytes(line.octets[:26]) == bytes([0, 0, *range(24)])
    assert len(line.octets) == 53
    assert [tuple(flaw) for flaw in line.flaws] == [
        (place, 92_000, Flaw.BREAK) for place in (0, 26, 52)
    ]
    starts = [(int(run["first"]), int(run["start_ns"])) for run in line.runs]
    second_ns = 104_000 + 25 * 44_000
    third = (52, 2 * second_ns)
    second = [(26, second_ns), (27, second_ns + 104_000)]
    assert starts == [(0, 0), (1, 104_000), *second, third]
    assert second_ns == 1_204_000  # break to break, E1.11 table 6
    assert line.until_ns == 2 * second_ns + 92_000
