"""The output stage: clocks, runts, gaps, buffers, and what the chains hold."""

from __future__ import annotations

import random
from fractions import Fraction

import numpy as np
import pytest
from unit.node.boards import board, line_of, packet, play

from bench.node.simulated import SimulatedNode

DROP_NO_RECEIVE, DROP_NO_WORDS, DROP_GAP, DROP_SIZE = 8, 9, 10, 7
SMALL = ("output.devices=2", "output.register_bits=16", "traffic.foreign.lengths=[16]")


def test_clocks_follow_the_formula():
    """None too many if s < r, else 1 + floor((s - r) / T), for any stop and clock."""
    draw = random.Random(1)
    for _ in range(60):
        hz = draw.choice([250_000, 333_333, 1_000_000, 2_500_000, 7_777_777])
        stop_ns, rise = draw.randrange(3_000), draw.choice([0.1, 0.25, 0.5, 0.9])
        spec = board(
            *SMALL,
            f"output.clock={hz}",
            f"output.stop_latency={stop_ns} ns",
            f"output.rise={rise}",
            "output.transfer_jitter=0 ns",
            "output.setup=0 ns",
        )
        period = Fraction(10**9, hz)
        over = stop_ns - Fraction(str(rise)) * period
        extra = 0 if over < 0 else 1 + over // period
        shown = play(spec, packet(spec, 1)).shown
        assert shown["clocks"].tolist() == [32 + extra], (hz, stop_ns, rise)


@pytest.mark.parametrize(
    ("stop_ns", "clocks", "marginal"),
    [
        (0, 0, 0),
        (479, 0, 0),
        (480, 0, 1),
        (499, 0, 1),
        (500, 1, 1),
        (999, 1, 1),
        (1000, 1, 0),
        (1479, 1, 0),
        (1480, 1, 1),
        (1500, 2, 1),
    ],
)
def test_a_stop_near_an_edge_is_marginal(stop_ns, clocks, marginal):
    """At 1 MHz, rise at 500 ns: within 20 ns before a rise, or with the clock high."""
    spec = board(*SMALL, "output.clock=1 MHz", f"output.stop_latency={stop_ns} ns")
    shown = play(spec, packet(spec, 1)).shown
    assert shown["clocks"].tolist() == [32 + clocks]
    assert shown["marginal"].tolist() == [marginal]


def test_a_stop_that_is_counted_by_hardware_is_exact():
    """No extra clock and no runt, whatever the latency says."""
    spec = board(
        *SMALL,
        "output.clock=8 MHz",
        "output.stop=count",
        "output.transfer_jitter=0 ns",
    )
    shown = play(spec, packet(spec, 1)).shown
    assert (shown["clocks"].tolist(), shown["marginal"].tolist()) == ([32], [0])


def test_times_of_a_burst():
    """Begin, first rise, end, latch: 32 clocks of 4 us, rise at half, gap 0.5 ms."""
    spec = board(*SMALL)
    burst = play(spec, packet(spec, 1)).shown[0]
    assert burst["first_bit_ns"] - burst["burst_ns"] == 2_000
    assert burst["end_ns"] - burst["burst_ns"] == 128_000
    assert burst["shown_ns"] - burst["end_ns"] == 500_000


@pytest.mark.parametrize("order", ["msb-first", "lsb-first"])
@pytest.mark.parametrize(("lanes", "word"), [(1, 1), (3, 1), (8, 1), (9, 2), (32, 4)])
def test_chains_hold_what_was_sent(order, lanes, word):
    """Rearranged, clocked out and latched, every lane holds its part of the payload."""
    spec = board(
        *SMALL,
        f"output.lanes={lanes}",
        f"output.word_octets={word}",
        f"output.bit_order={order}",
    )
    payload = np.random.default_rng(lanes).bytes(spec.payload_octets)
    assert play(spec, packet(spec, 1, payload)).data.tobytes() == payload


def test_jitter_of_the_stop_makes_some_bursts_wrong():
    """420 ns and up to 160 ns more against a rise at 500 ns: half of them, about."""
    spec = board(
        *SMALL,
        "output.clock=1 MHz",
        "output.stop_jitter=160 ns",
        "output.latch_gap=20 us",
        "processor.rearrange.per_octet=1 ns",
    )
    clocks = play(spec, packet(spec, 1) * 400, seed=3).shown["clocks"]
    assert set(clocks.tolist()) == {32, 33}
    # 81 of 161 equally likely delays reach the rise.
    assert 0.4 < np.mean(clocks == 33) < 0.6
    again = play(spec, packet(spec, 1) * 400, seed=3).shown["clocks"]
    other = play(spec, packet(spec, 1) * 400, seed=4).shown["clocks"]
    assert np.array_equal(clocks, again)
    assert not np.array_equal(clocks, other)


def test_a_gap_that_is_kept_too_short_never_latches():
    """The next burst's clock comes before the chains have latched: shifted through."""
    spec = board(*SMALL, "output.kept_gap=10 us", "processor.rearrange.per_octet=1 ns")
    shown = play(spec, packet(spec, 1) * 3).shown
    assert (shown["shown_ns"] >= 0).tolist() == [False, False, True]


def test_a_packet_without_a_receive_buffer_is_dropped():
    """Two buffers, long rearranging: the third packet in a row finds none."""
    spec = board(*SMALL, "processor.rearrange.fixed=5 ms")
    played = play(spec, packet(spec, 1) * 3)
    assert played.dropped["reason"].tolist() == [DROP_NO_RECEIVE]
    length = len(packet(spec, 1))
    assert played.dropped["first"].tolist() == [2 * length]
    assert played.dropped["end"].tolist() == [3 * length]
    assert len(played.shown) == 2


@pytest.mark.parametrize(("full", "dropped"), [("drop", [DROP_NO_WORDS]), ("wait", [])])
def test_a_packet_without_port_words(full, dropped):
    """With one port-word buffer, a packet that comes during a burst waits or goes."""
    spec = board(
        *SMALL,
        "processor.buffers.port_words=1",
        f"processor.buffers.port_words_full={full}",
    )
    octets = packet(spec, 1) + packet(spec, 17, bytes(100)) + packet(spec, 1)
    played = play(spec, octets)
    assert played.dropped["reason"].tolist() == dropped
    assert len(played.shown) == 2 - len(dropped)


def test_a_payload_that_does_not_fill_the_lanes_is_dropped():
    """A sound packet of another size is not shown, and said so."""
    spec = board(*SMALL)
    played = play(spec, packet(spec, 1, bytes(spec.payload_octets - 1)))
    assert played.dropped["reason"].tolist() == [DROP_SIZE]
    assert len(played.shown) == 0


def test_nothing_foreign_and_nothing_bad_is_shown():
    """Another address, a wrong check, rubbish: no burst."""
    spec = board(*SMALL)
    bad = bytearray(packet(spec, 1))
    bad[10] ^= 1
    rubbish = np.random.default_rng(2).bytes(4000)
    octets = packet(spec, 2) + bytes(bad) + packet(spec, 17) + rubbish
    assert len(play(spec, octets).shown) == 0


def test_busy_times_are_what_they_cost():
    """Eight foreign characters: two interrupts of 4.2 us, no work in the foreground."""
    spec = board(*SMALL)
    node = SimulatedNode(spec)
    node.play(line_of(spec, b"\xff" * 8, 1_000_000))
    assert (node.interrupts, node.receive_busy_ns) == (2, 8_400)
    assert (node.complete_busy_ns, node.foreground_busy_ns) == (0, 0)
