"""The shipped causeway: figures worked out by hand, which hang together."""

from __future__ import annotations

import tomllib
from fractions import Fraction

import pytest
from unit.profile.edits import ROOT

from bench.profile import Profile, load_profile


@pytest.fixture(scope="module")
def profile() -> Profile:
    """The shipped profile."""
    return load_profile("causeway")


def test_line(profile: Profile) -> None:
    """4 Mbaud 8N1 is 2.5 us a character: ten bits of 250 ns."""
    bus = profile.bus
    bits = 1 + bus.data_bits + bus.stop_bits
    assert (bits, bus.parity) == (10, "none")
    assert Fraction(10**9 * 10, bus.baud) == 2_500


def test_packet_on_the_line(profile: Profile) -> None:
    """3,840 + 8 octets take 9.62 ms; four of them 20 times a second are 76.96 %."""
    overhead = 2 + 1 + 1 + 2 + 2  # marker, address, sequence, length, CRC-16
    octets = {node.output.payload_octets + overhead for node in profile.node}
    assert octets == {3_848}
    packet_ns = 3_848 * 2_500
    assert packet_ns == 9_620_000
    load = Fraction(
        len(profile.node) * packet_ns * profile.traffic.frame_rate_hz, 10**9
    )
    assert load == Fraction("0.7696")
    assert float(Fraction(10**9, 4 * packet_ns)) == pytest.approx(25.99, abs=0.005)


def test_output(profile: Profile) -> None:
    """20 devices of 192 bits at 250 kHz are a burst of 15.36 ms, shown 0.5 ms later."""
    output = profile.node[0].output
    assert output.burst_clocks == 3_840
    assert output.lane_octets == 480
    assert Fraction(output.burst_clocks * 10**9, output.clock_hz) == 15_360_000
    assert output.latch_gap_ns == 500_000
    assert output.register_bits == 12 * output.channel.bits


def test_receiver(profile: Profile) -> None:
    """1.3 + 4 x 0.4 + 1.3 = 4.2 us in every four characters, which take 10 us."""
    processor = profile.node[0].processor
    interrupt = processor.interrupt
    assert (processor.uart.fifo, processor.uart.trigger, interrupt.count) == (8, 4, 4)
    cost = interrupt.entry_ns + 4 * interrupt.per_character_ns + interrupt.exit_ns
    assert cost == 4_200
    assert processor.uart.trigger * 2_500 == 10_000
    slack = processor.uart.fifo + 1 - processor.uart.trigger
    assert slack * 2_500 == 12_500


def test_rearranging(profile: Profile) -> None:
    """0.25 us an octet is 0.96 ms a packet."""
    assert profile.node[0].processor.rearrange.per_octet_ns * 3_840 == 960_000


def test_stop(profile: Profile) -> None:
    """Stopped after 0.42 us, rise at half: an extra clock from 1.19 MHz on."""
    output = profile.node[0].output
    assert (output.stop_latency_ns, output.rise) == (420, 0.5)
    edge_hz = Fraction(1, 2) * Fraction(10**9, output.stop_latency_ns)
    assert float(edge_hz) == pytest.approx(1.19e6, rel=0.001)


def test_light(profile: Profile) -> None:
    """5 mA a channel, brightness capped at 20 %, dark when a trial stops."""
    light = profile.light
    assert (light.channel_ma, light.cap, light.safe_level) == (5.0, 0.2, 0.0)


def test_nodes_are_alike(profile: Profile) -> None:
    """Four nodes share processor and output, and differ in name and address."""
    assert [node.address for node in profile.node] == [1, 2, 3, 4]
    assert len({node.name for node in profile.node}) == 4
    assert len({node.processor.model_dump_json() for node in profile.node}) == 1
    assert len({node.output.model_dump_json() for node in profile.node}) == 1


def test_one_packaged_folder() -> None:
    """The folder searched beside the package is the one that a wheel takes in."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel["force-include"] == {"profiles": "bench/_profiles"}
