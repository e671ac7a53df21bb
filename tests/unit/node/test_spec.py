"""What the simulated node takes from a profile, and what it refuses."""

from __future__ import annotations

import pytest
from unit.node.boards import board

from bench.base.errors import ProfileError
from bench.node.spec import node_specs
from bench.profile import load_profile

REFUSED = [
    (
        "processor.buffers.receive_full=overwrite",
        "overwrite, expected drop @ processor.buffers.receive_full",
    ),
    (
        "output.register_bits=191",
        "3820, expected whole octets in a lane @ output.register_bits",
    ),
]


@pytest.mark.parametrize(("override", "line"), REFUSED)
def test_what_is_not_simulated_is_refused_in_one_line(override, line):
    """The value, what can be simulated, and where; once for all nodes that share it."""
    overrides = [override]
    if "register" in override:
        overrides += ["packet.fields.4.most=8000"]
    profile = load_profile("causeway", overrides)
    with pytest.raises(ProfileError) as refused:
        node_specs(profile)
    assert list(refused.value.lines) == [f"not simulated yet: {line}"]


def test_everything_that_is_not_simulated_is_said_at_once():
    """Two things refused, two lines."""
    overrides = ["processor.buffers.receive_full=overwrite", "bus.direction=half"]
    with pytest.raises(ProfileError) as refused:
        node_specs(load_profile("causeway", overrides))
    assert len(refused.value.lines) == 2


def test_a_ring_holds_one_less():
    """A ring of 64 is a FIFO of 63, and the UART's own FIFO means nothing."""
    ring = ["processor.receive=dma", "processor.dma.octets=64"]
    spec = board(*ring, "processor.uart.fifo=1", "processor.uart.trigger=1")
    assert (spec.receive.method, spec.receive.ring, spec.uart.fifo) == ("dma", 64, 63)


def test_uart_lanes_send_ten_bits_an_octet():
    """480 bits for 48 octets; the true rate and the one that the far end expects."""
    spec = node_specs(load_profile("jetty", ["output.rate_error=0.01"]))[0]
    output = spec.output
    assert (output.clocks, output.clock_hz, output.lane_hz) == (480, 38_784, 38_400)
    assert (output.stop, output.latch_pause_ns) == ("count", None)


def test_a_timer_s_chains_may_latch_in_a_pause():
    """From 1 ns more than they tolerate on, or from the latch gap on."""
    timer = ["output.method=timer", "output.transfer_jitter=0 ns"]
    tolerant = board(*timer).output
    assert tolerant.latch_pause_ns == 20_001
    plain = board(*timer, "output.longest_pause=").output
    assert plain.latch_pause_ns == 500_000


def test_windows_of_a_shared_payload():
    """DMX512: a node's first slot is its address, and slot 1 is the first octet."""
    profile = load_profile("dmx512")
    windows = [spec.window for spec in node_specs(profile)]
    assert windows == [node.address - 1 for node in profile.node]


@pytest.mark.parametrize(
    ("ready", "ns"), [("50 %", 2_375), ("0 %", 2_250), ("100 %", 2_499)]
)
def test_when_a_character_is_complete(ready, ns):
    """Nine bits and a share of the stop bit; at the latest 1 ns before its end."""
    assert board(f"processor.uart.ready={ready}").uart.ready_ns == ns


def test_costs_of_the_causeway():
    """1.3 + 4 x 0.4 + 1.3 us an interrupt, 0.96 ms to rearrange, 15.36 ms a burst."""
    spec = board()
    cost = spec.cost
    assert cost.entry_ns + 4 * cost.per_character_ns + cost.exit_ns == 4_200
    assert (cost.body_limit, cost.rearrange_ns) == (4, 960_000)
    assert spec.output.clocks * 10**9 // spec.output.clock_hz == 15_360_000
    assert spec.payload_octets == 3_840
