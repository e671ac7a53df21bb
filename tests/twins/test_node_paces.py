"""Many interrupts at a time are what they are one by one, at whatever baud.

Where a character is no whole number of nanoseconds, it comes up to one sooner or later
than its neighbours say.  Costs are drawn so that handlers end just then.
"""

from __future__ import annotations

import random
from itertools import pairwise
from math import floor
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from bench.base.columns import FLAW, RUN, Line, no_rows
from bench.node.simulated import SimulatedNode
from bench.node.spec import node_specs
from bench.profile import load_profile
from bench.wire.packets import build, encode

if TYPE_CHECKING:
    from bench.node.spec import NodeSpec

CHARACTERS = 20_000
COUNTS = ("interrupts", "receive_busy_ns", "foreground_busy_ns", "complete_busy_ns")
BAUDS = (4_000_000, 3_000_000, 3_999_971, 6_000_000, 2_829_989)

JUST_THEN = (
    "bus.baud=2829989",
    "processor.uart.fifo=8",
    "processor.uart.trigger=3",
    "processor.interrupt.entry=0 ns",
    "processor.interrupt.per_character=2120 ns",
    "processor.interrupt.exit=1414 ns",
    "processor.interrupt.body=drain",
    "processor.interrupt.count=",
    "processor.rearrange.per_octet=707 ns",
)
"""A handler that meets one character more or less as the grid is rounded."""


def costs(seed: int) -> tuple[str, ...]:
    """A board whose handler ends about when a character completes."""
    draw = random.Random(f"pace {seed}")
    baud = draw.choice([*BAUDS, draw.randrange(1_000_000, 9_000_000)])
    pitch = 10e9 / baud
    fifo = draw.choice([2, 4, 8, 16])
    trigger = draw.randint(1, fifo)
    each = max(1, round(pitch * draw.choice([0.02, 0.1, 0.2, 0.4])))
    entry = draw.choice([0, round(pitch / 8), floor(pitch * draw.randint(0, 2))])
    takes = draw.randint(trigger, trigger + 2)
    whole = floor((takes - trigger + draw.choice([0, 1])) * pitch)
    leave = max(0, whole - entry - takes * each + draw.choice([-1, 0, 0, 1]))
    body = draw.choice(["drain", "count"])
    count = draw.choice([trigger, fifo]) if body == "count" else ""
    return (
        f"bus.baud={baud}",
        f"processor.uart.fifo={fifo}",
        f"processor.uart.trigger={trigger}",
        f"processor.interrupt.entry={entry} ns",
        f"processor.interrupt.per_character={each} ns",
        f"processor.interrupt.exit={leave} ns",
        f"processor.interrupt.body={body}",
        f"processor.interrupt.count={count}",
        f"processor.rearrange.per_octet={round(pitch * draw.choice([0.05, 0.5]))} ns",
        f"output.devices={draw.choice([2, 20])}",
        f"output.stop={draw.choice(['dma', 'count', 'interrupt'])}",
        "output.stop_jitter=0 ns",
    )


def line_for(spec: NodeSpec) -> Any:
    """Packets back to back, every third for the node."""
    draw = np.random.default_rng(1)
    octets = bytearray()
    while len(octets) < CHARACTERS:
        address = 1 if len(octets) % 3 == 0 else 17
        payload = draw.bytes(spec.payload_octets)
        packet = build(spec.packet, address=address, payload=payload)
        octets += encode(spec.packet, packet)
    return np.frombuffer(bytes(octets), np.uint8)


def did(spec: NodeSpec, octets: Any, *, shortcuts: bool) -> Any:
    """Every row, and what the processor did, in three chunks."""
    node = SimulatedNode(spec, seed=1, shortcuts=shortcuts)
    cuts, rows = (0, 5000, 5001, len(octets)), []
    for first, end in pairwise(cuts):
        run = np.zeros(1, RUN)
        run[0] = (0, *spec.pitch.after(first))
        part = octets[first:end]
        line = Line(part, run, no_rows(FLAW), first, spec.pitch.at(end))
        made = node.play(line)
        rows += [made.shown.tolist(), made.data.tobytes()]
        rows += [made.dropped.tolist(), made.lost.tolist()]
    return rows, [getattr(node, name) for name in COUNTS]


def compare(overrides: tuple[str, ...]) -> None:
    """Play a board with the shortcut and without."""
    spec = node_specs(load_profile("causeway", overrides))[0]
    octets = line_for(spec)
    whole = did(spec, octets, shortcuts=True)
    assert whole == did(spec, octets, shortcuts=False), overrides


@pytest.mark.parametrize("seed", range(80))
def test_any_baud(seed: int) -> None:
    """Rows, interrupts and busy times are the same one by one."""
    compare(costs(seed))


def test_where_rounding_decides() -> None:
    """Likewise where a nanosecond decides how many characters a handler meets."""
    compare(JUST_THEN)


@pytest.mark.night
def test_any_baud_at_length() -> None:
    """Likewise, many more of them."""
    for seed in range(80, 4000):
        compare(costs(seed))
