"""Time on the line, against public standards and arithmetic."""

from __future__ import annotations

from math import floor
from typing import Any

import pytest

from bench.budget import budget
from bench.budget.bus.frames import character_ns
from bench.profile import load_profile
from bench.profile.model import Bus

US = 1000

CHARACTERS = [
    # (data, parity, stop bits): at 9600, 115,200 and 4,000,000 baud, in us
    ((5, "none", 1), (729.1667, 60.7639, 1.75)),
    ((7, "none", 1), (937.5, 78.125, 2.25)),
    ((8, "none", 1), (1041.6667, 86.8056, 2.5)),
    ((8, "even", 1), (1145.8333, 95.4861, 2.75)),
    ((8, "even", 2), (1250, 104.1667, 3)),
]


@pytest.mark.parametrize(("form", "times"), CHARACTERS)
def test_characters(form: tuple[Any, Any, Any], times: tuple[float, ...]) -> None:
    """(1 + data + parity + stop) / baud: arithmetic."""
    data, parity, stop = form
    for baud, us in zip((9600, 115_200, 4_000_000), times, strict=True):
        bus = Bus(baud=baud, data_bits=data, parity=parity, stop_bits=stop)
        profile = load_profile("causeway").model_copy(update={"bus": bus})
        assert float(character_ns(profile)) / US == pytest.approx(us, abs=1e-4)


RFC_2544 = {
    64: 14_880,
    128: 8445,
    256: 4528,
    512: 2349,
    768: 1586,
    1024: 1197,
    1280: 961,
    1518: 812,
}


@pytest.mark.parametrize("octets", RFC_2544)
def test_frame_rates_of_a_public_standard(octets: int) -> None:
    """RFC 2544, appendix B: 10 Mbit/s, 160 bits of preamble and gap to a frame.

    Here that is a bus of characters of 8 bits, 6 of them data, and packets of 20 more.
    """
    settings = [
        "output.lanes=1",
        "output.devices=1",
        f"output.register_bits={8 * (octets + 20 - 8)}",
        "output.channel.bits=8",
        "traffic.foreign.share=0",
    ]
    profile = load_profile("causeway", settings)
    changes = {"bus": Bus(baud=10_000_000, data_bits=6), "node": profile.node[:1]}
    line = budget(profile.model_copy(update=changes))["frame rate"]
    assert floor(line.limit) == RFC_2544[octets]


def test_the_same_for_this_line() -> None:
    """Baud over bits of a character times characters of a packet, four to a frame."""
    line = budget(load_profile("causeway", ["traffic.foreign.share=0"]))["frame rate"]
    assert float(line.limit) == pytest.approx(4e6 / (10 * 3848 * 4))


def test_dmx512() -> None:
    """513 slots of 44 us after a break of 92 and a mark of 12.

    44.099 a second (ANSI E1.11); 40 are asked for.
    """
    found = budget(load_profile("dmx512"))
    assert found["packet"].value == 22_676 * US
    assert float(found["frame rate"].limit) == pytest.approx(44.099, abs=1e-3)
    assert found["character"].value == 44 * US
    assert found.fits


def test_modbus() -> None:
    """Eleven bits at 19,200 baud are 572.917 us.

    3.5 of them are 2005.208 us, and a packet of 41 with its silence takes 25.495 ms
    (MODBUS over Serial Line V1.02).
    """
    found = budget(load_profile("modbus-rtu"))
    character = float(found["character"].value) / US
    assert character == pytest.approx(572.9167, abs=1e-4)
    assert float(found["packet"].value) / US == pytest.approx(
        41 * character + 3.5 * character, abs=1e-3
    )
    assert found.fits


def test_worst_stuffing() -> None:
    """SLIP at worst: 2n + 2 octets for n (RFC 1055); of 1,204 that is 2,410."""
    line = budget(load_profile("slipway"))["packet"]
    assert float(line.value) == pytest.approx(2410 * 10 / 3e6 * 1e9)


def test_room() -> None:
    """Six packets of 4.87 ms and 15 % foreign traffic fit 40 ms, seven do not."""
    found = budget(load_profile("jetty"))
    assert found["room for nodes"].value == 2
    assert float(found["bus load"].value) == pytest.approx(4 * 4.87 / 40 + 0.15)


def test_too_much_is_said() -> None:
    """More frames than fit the line: by how much, and that it gives way first."""
    found = budget(load_profile("causeway", ["traffic.frame_rate=30 Hz"]))
    assert not found.fits
    assert found.tightest == "bus load"
    assert float(found["frame rate"].margin) < 0


def test_skew() -> None:
    """Four packets evenly in a frame of 50 ms lie 37.5 ms apart, and a bit more."""
    line = budget(load_profile("causeway"))["skew"]
    assert 37_500_000 < float(line.value) < 39_000_000
    shared = budget(load_profile("dmx512"))["skew"]
    assert float(shared.value) < 20_000  # one packet for all
