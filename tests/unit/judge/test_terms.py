"""What the judge takes from a profile, against sums done by hand."""

from __future__ import annotations

import pytest

from bench.judge.kept.terms import (
    addressees_of,
    hold_ns,
    longest_ns,
    shares_of,
    window_of,
)
from bench.link.observes import EVERYTHING, Observes
from bench.profile.load import load_profile


@pytest.mark.parametrize(
    ("profile", "overrides", "ns"),
    [
        # 3840 clocks at 250 kHz, and the latch gap.
        ("causeway", (), 15_360_000 + 500_000),
        # The firmware keeps more than the chains need.
        ("causeway", ("output.kept_gap=0.7 ms",), 15_360_000 + 700_000),
        # 480 bits of 26.04 us, longer than the 4 us that each costs.
        ("jetty", (), 12_500_000 + 2_000_000),
        # A sender at four fifths of its rate takes five quarters of the time.
        ("jetty", ("output.rate_error=-0.2",), 15_625_000 + 2_000_000),
        # Interrupts that take longer than a bit: 1.1 + 40 + 1.1 us for each.
        ("jetty", ("processor.interrupt.bit=40 us",), 480 * 42_200 + 2_000_000),
        # Eight lanes of 1200 clocks at 4 MHz, and a handler of 1.2 + 0.5 us after each.
        ("slipway", (), 8 * (300_000 + 1_700) + 80_000),
        # By count, with a gap between two lanes.
        (
            "slipway",
            ("output.stop=count", "output.stop_latency=0 ns", "output.lane_gap=9 us"),
            8 * 300_000 + 7 * 9_000 + 80_000,
        ),
    ],
)
def test_longest(profile: str, overrides: tuple[str, ...], ns: int) -> None:
    """From a burst's first bit to its being shown."""
    assert longest_ns(load_profile(profile, overrides).node[0]) == ns


def test_window_holds_what_waits_for_a_sync() -> None:
    """A packet may wait for two frames, and then for its latency; slow frames count."""
    sync = ("processor.show=sync", "traffic.broadcast_every=1")
    plain = load_profile("causeway", ["traffic.frame_rate=20 Hz"])
    synced = load_profile("causeway", [*sync, "traffic.frame_rate=20 Hz"])
    assert hold_ns(plain, plain.node[0]) == 0
    assert hold_ns(synced, synced.node[0]) == 100_000_000
    slow = load_profile(
        "causeway", [*sync, "traffic.frame_rate=20 Hz", "accept.latency=400 ms"]
    )
    assert window_of(slow, EVERYTHING).memory_ns == 4 * 500_000_000


def test_bursts_one_after_another_are_waited_for() -> None:
    """A burst of all lanes is known of in time, however many there are."""
    profile = load_profile("slipway")
    window = window_of(profile, EVERYTHING)
    assert window.hold_ns > 4 * longest_ns(profile.node[0])


def test_shares() -> None:
    """Slots are counted from 1 (ANSI E1.11, start code apart); others have none."""
    assert shares_of(load_profile("dmx512")) == ((0, 168), (168, 168), (344, 168))
    assert shares_of(load_profile("causeway")) is None


def test_addressees() -> None:
    """Ways of showing, clocks where they are counted, and what darkness is."""
    profile = load_profile(
        "causeway",
        [
            "traffic.broadcast_every=1",
            "node.1.processor.show=sync",
            "node.2.processor.on_silence=blackout",
            "node.2.processor.blackout_after=1 s",
            "node.2.output.channel.inverted=true",
        ],
    )
    nodes = addressees_of(profile, EVERYTHING)
    assert [node.sync for node in nodes] == [False, True, False, False]
    assert [node.clocks for node in nodes] == [3840] * 4
    assert [node.share for node in nodes] == [None] * 4
    assert [node.dark for node in nodes] == [None, None, b"\xff" * 3840, None]
    # A character of 2.5 us less: it may be complete before its last bit is over.
    assert nodes[2].dark_after_ns == 1_000_000_000 - 2_500
    blind = addressees_of(profile, Observes(clocks=False))
    assert [node.clocks for node in blind] == [0] * 4
