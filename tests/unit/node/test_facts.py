"""What engineers who build such boards know: common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from unit.node.boards import board, line_of, packet, play

from bench.node.simulated import SimulatedNode

REGISTER = 20 * 192
"""Bits of one lane's chain."""


@pytest.mark.parametrize(
    ("clock", "extra"),
    [
        ("250 kHz", 0),
        ("500 kHz", 0),
        ("1 MHz", 0),
        ("1190 kHz", 0),
        ("1191 kHz", 1),
        ("2 MHz", 1),
        ("4 MHz", 2),
    ],
)
def test_a_burst_paced_by_dma_has_its_register_length_in_clocks(clock, extra):
    """Until the stop is slower than the way to the next edge: then there are more."""
    spec = board(f"output.clock={clock}")
    shown = play(spec, packet(spec, 1)).shown
    assert shown["clocks"].tolist() == [REGISTER + extra]


def test_an_extra_clock_shifts_the_data_by_one_bit():
    """The chain takes the last bit twice, and every other one a place too far."""
    spec = board("output.clock=2 MHz")
    payload = bytes(
        np.random.default_rng(1).integers(0, 256, spec.payload_octets, "u1")
    )
    played = play(spec, packet(spec, 1, payload))
    for lane in range(8):
        sent = np.unpackbits(
            np.frombuffer(payload, "u1")[480 * lane : 480 * (lane + 1)]
        )
        held = np.unpackbits(played.data[480 * lane : 480 * (lane + 1)])
        assert np.array_equal(held[:-1], sent[1:])
        assert held[-1] == sent[-1]


def test_foreign_traffic_stretches_rearranging_and_not_the_burst():
    """What runs in the foreground takes longer; what the DMA paces does not."""
    spec = board()
    ours = packet(spec, 1)
    alone = play(spec, ours).shown[0]
    busy = play(spec, ours + packet(spec, 17) * 3).shown[0]
    in_ns = spec.pitch.at(len(ours))
    # Rearranging alone takes 3,840 x 0.25 us; the last interrupt ends after the packet.
    assert 960_000 <= alone["burst_ns"] - in_ns <= 960_000 + 5_000
    # With interrupts of 4.2 us in every 10 us, 5.8 us of 10 are left for it.
    stretched = busy["burst_ns"] - in_ns
    assert abs(stretched - 960_000 / 0.58) <= 10_000
    for name in ("first_bit_ns", "end_ns"):
        assert busy[name] - busy["burst_ns"] == alone[name] - alone["burst_ns"]
    assert busy["end_ns"] - busy["burst_ns"] == REGISTER * 4_000


def test_a_stop_by_interrupt_is_late_only_under_load():
    """Alone the clock stops in time; behind a receive interrupt it does not."""
    clocks = {"alone": [], "loaded": []}
    for start_us in range(10):
        spec = board(
            "output.stop=interrupt",
            "output.stop_latency=0.2 us",
            "output.clock=301 kHz",
            f"processor.rearrange.start_output={start_us} us",
        )
        ours, foreign = packet(spec, 1), packet(spec, 17)
        clocks["alone"] += play(spec, ours).shown["clocks"].tolist()
        clocks["loaded"] += play(spec, ours + 3 * foreign).shown["clocks"].tolist()
    assert clocks["alone"] == [REGISTER] * 10
    # An interrupt of 4.2 us in every 10 us is in the way about as often as that.
    assert 2 <= clocks["loaded"].count(REGISTER + 1) <= 6
    assert set(clocks["loaded"]) == {REGISTER, REGISTER + 1}


def test_eight_characters_at_4_mbaud_take_20_us():
    """Ten bits a character, 250 ns a bit."""
    assert board().pitch.at(8) == 20_000


@pytest.mark.parametrize(("baud", "share"), [("4 Mbaud", 0.42), ("6 Mbaud", 0.63)])
def test_what_the_receive_interrupt_takes_of_the_processor(baud, share):
    """4.2 us for four characters: at 6 Mbaud a third is left for the foreground."""
    spec = board(f"bus.baud={baud}")
    node = SimulatedNode(spec)
    octets = packet(spec, 17) * 20
    node.play(line_of(spec, octets))
    assert node.receive_busy_ns / spec.pitch.at(len(octets)) == pytest.approx(
        share, abs=0.001
    )


def test_a_third_of_the_processor_does_a_third_of_the_work():
    """At 6 Mbaud rearranging takes about 2.7 times as long as alone."""
    spec = board("bus.baud=6 Mbaud")
    ours = packet(spec, 1)
    burst_ns = play(spec, ours + packet(spec, 17) * 3).shown[0]["burst_ns"]
    taken_ns = burst_ns - spec.pitch.at(len(ours))
    assert taken_ns / 960_000 == pytest.approx(1 / 0.37, abs=0.02)


def test_a_processor_that_cannot_keep_up_loses_characters():
    """4.2 us for four characters that come in 3.33 us: a fifth is lost."""
    spec = board("bus.baud=12 Mbaud")
    octets = packet(spec, 17) * 5
    lost = play(spec, octets).lost
    assert len(lost) / len(octets) == pytest.approx(1 - (4 / 4.2) / 1.2, abs=0.005)
    assert set(lost["doing"].tolist()) <= {1, 2, 3}
