"""What a profile comes to, against figures worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from bench.profile import Profile, load_profile
from bench.report.sheet import comes_to, sheet


def figures(*overrides: str) -> dict[str, Any]:
    """The figures of the shipped profile."""
    return comes_to(load_profile("causeway", overrides))


def test_line() -> None:
    """8N1 at 4 Mbaud: ten bits of 250 ns; 3848 characters a packet, four to a frame."""
    line = figures()["line"]
    assert line["character_ns"] == 2500
    assert line["character_bits"] == 10
    (packet,) = line["packets"]
    # 2 marker + address + sequence + 2 length + 3840 + 2 check
    assert packet["characters"] == 3848
    assert packet["packet_ns"] == 3848 * 2500
    assert line["frame_ns"] == 4 * 3848 * 2500
    assert line["own_load"] == pytest.approx(4 * 3848 * 2500 * 20 / 1e9)
    assert line["most_frame_rate_hz"] == pytest.approx(1e9 / (4 * 3848 * 2500))
    assert line["most_frame_rate_worst_hz"] == line["most_frame_rate_hz"]


def test_characters_of_other_sizes() -> None:
    """8E2 is twelve bits: start, eight, parity, two stop bits."""
    line = figures("bus.parity=even", "bus.stop_bits=2")["line"]
    assert line["character_bits"] == 12
    assert line["character_ns"] == 3000


def test_stuffing() -> None:
    """RFC 1055 doubles an octet at worst; at random 2 of 256 are replaced."""
    line = figures("packet.framing=slip", "packet.pad=C0", "packet.fields.0.octets=11")
    (packet,) = line["line"]["packets"]
    plain = 3847 + 1  # the first literal is no marker now, and one octet long
    assert packet["characters"] == pytest.approx(plain + 3840 * 2 / 256, abs=2)
    assert packet["packet_worst_ns"] == pytest.approx(2 * 3847 * 2500, rel=1e-3)
    assert line["line"]["most_frame_rate_worst_hz"] < line["line"]["most_frame_rate_hz"]


def test_node() -> None:
    """4.2 us for 4 characters of 2.5 us; 3840 clocks of 4 us; 0.5 / 0.42 us."""
    (node,) = figures()["nodes"]
    assert node["names"] == ["slack-water", "ebb", "flood-gate", "harbour-end"]
    assert node["interrupt_ns"] == 4200
    assert node["interrupt_per_character_ns"] == 1050
    assert node["interrupt_share"] == pytest.approx(0.42)
    assert node["rearrange_ns"] == 3840 * 250
    assert node["burst_ns"] == 3840 * 4000
    assert node["first_extra_clock_hz"] == pytest.approx(0.5 / 0.42e-6)


@pytest.mark.parametrize(
    ("overrides", "hz"),
    [
        (["output.rise=25 %"], 0.25 / 0.42e-6),
        (["output.stop_jitter=80 ns"], 0.5 / 0.5e-6),
        # The interrupt's entry of 1.3 us comes before its latency.
        (["output.stop=interrupt"], 0.5 / 1.72e-6),
        (["output.stop=count"], None),
        (["output.stop_latency=0 ns"], None),
    ],
)
def test_first_extra_clock(overrides: list[str], hz: float | None) -> None:
    """A stop that takes s is too late for a rise at r of the period from r/s on."""
    (node,) = figures(*overrides)["nodes"]
    assert node["first_extra_clock_hz"] == (None if hz is None else pytest.approx(hz))


@pytest.mark.parametrize(
    ("overrides", "taken", "cost_ns"),
    [
        (["processor.interrupt.count=1"], 1, 2600 + 400),
        (["processor.interrupt.count=2"], 2, 1300 + 400),
        (["processor.uart.trigger=8", "processor.interrupt.count=8"], 8, 325 + 400),
        (["processor.uart.trigger=2"], 2, 1300 + 400),
    ],
)
def test_interrupt(overrides: list[str], taken: int, cost_ns: int) -> None:
    """Entry and exit are shared by the characters that one interrupt takes."""
    (node,) = figures(*overrides)["nodes"]
    assert node["interrupt_characters"] == taken
    assert node["interrupt_per_character_ns"] == pytest.approx(cost_ns)


def test_nodes_in_groups() -> None:
    """Nodes that are alike share an entry; one that differs has its own."""
    profile = load_profile("causeway", ["node.1.output.clock=500 kHz"])
    groups = comes_to(profile)["nodes"]
    assert [group["names"] for group in groups] == [
        ["slack-water", "flood-gate", "harbour-end"],
        ["ebb"],
    ]
    assert groups[1]["burst_ns"] == 3840 * 2000
    assert sheet(comes_to(profile)).plain().count("first extra clock") == 2


def test_current() -> None:
    """4 nodes of 8 x 20 x 12 channels of 5 mA are 38.4 A; a fifth of it is the cap."""
    light = figures()["light"]
    assert light["full_ma"] == 4 * 8 * 20 * 12 * 5
    assert light["cap_ma"] == pytest.approx(7680)
    assert light["pattern_ma"] is None


def test_current_that_is_not_stated() -> None:
    """A current that nobody stated is not zero."""
    found = figures("light.channel=0 mA")
    assert found["light"]["full_ma"] is None
    assert "  cap                not stated      20 %\n" in sheet(found).plain()


def without_stop() -> Profile:
    """The shipped profile with a clock that is stopped by count."""
    return load_profile("causeway", ["output.stop=count"])


def test_page_says_none() -> None:
    """A burst that cannot have an extra clock is said to have none."""
    text = sheet(comes_to(without_stop())).plain()
    assert "  first extra clock  none            stopped by count, or at once\n" in text


# --- other boards ---------------------------------------------------------------------


def board(name: str) -> dict[str, Any]:
    """The figures of the nodes of another shipped profile."""
    (node,) = comes_to(load_profile(name))["nodes"]
    assert isinstance(node, dict)
    return node


def test_polled() -> None:
    """A loop takes one character at a time, and pays for no interrupt: 1.6 us of 10."""
    node = board("jetty")
    assert node["receive"] == "poll"
    assert node["interrupt_characters"] == 1
    assert node["interrupt_per_character_ns"] == 1600
    assert node["interrupt_share"] == pytest.approx(0.16)


def test_ring() -> None:
    """Half a ring of 256 at a time: (0.6 + 0.6) / 128 + 0.15 us a character."""
    node = board("slipway")
    assert node["receive"] == "dma"
    assert node["interrupt_characters"] == 128
    assert node["interrupt_per_character_ns"] == pytest.approx(1200 / 128 + 150)


@pytest.mark.parametrize(
    ("name", "burst_ns", "words"),
    [
        # 48 octets of ten bits at 38.4 kbaud
        ("jetty", 480e9 / 38400, "480 bits at 38.4 kbaud, then 2 ms to latch"),
        # 8 lanes of 1,200 clocks at 4 MHz, one after another
        (
            "slipway",
            8 * 1200 * 250,
            "1200 clocks at 4 MHz for each of 8 lanes in turn, then 80 us to latch",
        ),
    ],
)
def test_bursts(name: str, burst_ns: float, words: str) -> None:
    """UART lanes have bits, and lanes that take turns add up; neither is stopped."""
    node = board(name)
    assert node["burst_ns"] == pytest.approx(burst_ns)
    assert node["first_extra_clock_hz"] is None
    text = sheet(comes_to(load_profile(name))).plain()
    assert words in " ".join(text.split())
    assert "first extra clock" not in text
    assert ("polling cost" in text) == (name == "jetty")


def test_one_packet_for_all() -> None:
    """DMX512: the frame is one packet of 513 slots of 44 us after break and mark."""
    figures = comes_to(load_profile("dmx512"))
    assert figures["line"]["shared_payload"]
    assert figures["line"]["frame_ns"] == (92 + 12 + 513 * 44) * 1000
    assert "one packet for all nodes" in sheet(figures).plain()


def test_channels_of_a_map() -> None:
    """Current is that of the channels that there are: two a device, one lane none."""
    channel = (
        'output.channel={layout=[{name="amber"},{name="white"}],lane=[{lanes=[7],'
        "devices=0}]}"
    )
    light = figures(channel)["light"]
    assert light["full_ma"] == 4 * 7 * 20 * 2 * 5


def test_remarks_are_wrapped() -> None:
    """Within the width, whatever the remark."""
    for name in ("slipway", "causeway", "jetty"):
        lines = sheet(comes_to(load_profile(name))).plain().splitlines()
        assert max(len(line) for line in lines) <= 80
