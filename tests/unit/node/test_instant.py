"""The order at one instant: what ends, the line, the timeout, the processor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from unit.node.boards import board, line_of, packet, play

from bench.base.columns import FLAW
from bench.node.simulated import SimulatedNode

SMALL = (
    "output.devices=2",
    "output.register_bits=16",
    "output.clock=1 MHz",
    "traffic.foreign.lengths=[16]",
    "processor.interrupt.entry=0 ns",
    "processor.interrupt.exit=0 ns",
    "processor.interrupt.per_character=100 ns",
)


@pytest.mark.parametrize(("work_ns", "shown"), [(9_600, 2), (9_601, 1)])
def test_a_job_that_ends_as_an_interrupt_begins_has_ended(work_ns, shown):
    """A job of exactly the time to the next interrupt is done; 1 ns more is too long.

    The packet's last interrupt ends 400 ns after its last character completes; the next
    four characters take 10,000 ns, so 9,600 ns are free.  There is one receive buffer,
    and the next packet needs it in that next interrupt.
    """
    spec = board(
        *SMALL,
        "processor.buffers.receive=1",
        f"processor.rearrange.fixed={work_ns} ns",
        "processor.rearrange.per_octet=0 ns",
    )
    ours = packet(spec, 1)
    assert len(ours) % 4 == 0
    played = play(spec, ours * 2)
    assert len(played.shown) == shown
    assert len(played.dropped) == 2 - shown


def test_a_character_that_completes_as_the_processor_looks_is_seen():
    """The look at that very instant takes it; 1 ns earlier it finds nothing."""
    setup = (
        *SMALL,
        "processor.uart.trigger=1",
        "processor.interrupt.body=drain",
        "processor.interrupt.count=",
    )
    counts = []
    for per_ns in (2_500, 2_499):
        spec = board(*setup, f"processor.interrupt.per_character={per_ns} ns")
        played = play(spec, packet(spec, 17, bytes(8)), trace=True)
        counts.append(len(played.interrupts))
    # Seen at once, one handler takes the whole packet; else each character has its own.
    assert counts == [1, 16]


@pytest.mark.parametrize(("timeout_ns", "fires"), [(2_499, True), (2_500, False)])
def test_a_character_that_completes_as_the_timeout_would_fire_restarts_it(
    timeout_ns, fires
):
    """Characters come every 2,500 ns: a timeout of just that fires between no two."""
    spec = board(
        *SMALL,
        "processor.uart.trigger=8",
        f"processor.uart.idle_timeout={timeout_ns} ns",
    )
    played = play(spec, packet(spec, 17, bytes(8)), trace=True)
    first_ns = int(played.interrupts[0]["start_ns"])
    eighth_ns = spec.pitch.at(7) + spec.uart.ready_ns
    assert (first_ns < eighth_ns) == fires


def test_a_break_is_no_character_that_anybody_sent():
    """A break in a packet spoils it, though the receiver reports an octet 00h."""
    spec = board(*SMALL)
    line = line_of(spec, packet(spec, 1), 10_000_000)
    broken = replace(line, flaws=np.array([(12, 0, 3)], FLAW))
    assert len(SimulatedNode(spec).play(line).shown) == 1
    played = SimulatedNode(spec).play(broken)
    assert len(played.shown) == 0
    assert played.dropped["reason"].tolist()[0] == 5
