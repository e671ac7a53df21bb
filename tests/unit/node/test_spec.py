"""What the simulated node takes from a profile, and what it refuses."""

from __future__ import annotations

import pytest
from unit.node.boards import board

from bench.base.errors import ProfileError
from bench.node.spec import node_specs
from bench.profile import load_profile

REFUSED = [
    ("processor.receive=poll", "poll, expected interrupt @ processor.receive"),
    (
        "processor.interrupt.masked=1 us",
        "1000 ns, expected 0 ns @ processor.interrupt.masked",
    ),
    (
        "processor.buffers.receive_full=overwrite",
        "overwrite, expected drop @ processor.buffers.receive_full",
    ),
    ("output.method=timer", "timer, expected dma @ output.method"),
    ("output.latch=strobe", "strobe, expected gap @ output.latch"),
    (
        "output.register_bits=191",
        "3820, expected whole octets in a lane @ output.register_bits",
    ),
    ("node.0.observe.by=status", "status, expected simulated @ node.observe.by"),
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
    profile = load_profile("causeway", ["processor.receive=dma", "output.method=timer"])
    with pytest.raises(ProfileError) as refused:
        node_specs(profile)
    assert len(refused.value.lines) == 2


def test_a_word_that_comes_too_late_for_the_chain_is_refused():
    """Jitter and set-up time reach the rise: the chain would take the bit before."""
    profile = load_profile("causeway", ["output.clock=7 MHz"])
    with pytest.raises(ProfileError, match="previous bit"):
        node_specs(profile)


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
