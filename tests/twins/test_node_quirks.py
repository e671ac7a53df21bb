"""Nodes that are wrong by a number: the kernel and the plain twin agree on them too.

The worlds are those of `test_node`, with some of a node's neutral numbers changed.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace

import pytest
from twins.node_whole_worlds import make_whole_world
from twins.node_worlds import World, make_world
from twins.test_node import compare, twin_result

from bench.node.spec import QuirkSpec
from bench.wire.format import Number

SEEDS = range(5000, 5240)


def quirked(world: World) -> World:
    """The same world, its node wrong by one number or two."""
    draw = random.Random(f"quirks {world.seed}")
    spec = world.spec
    by_dma = spec.output.method == "dma" and spec.output.signal == "clocked"
    quirks = [
        {"keeps_error": True},
        {"buffer_bias": draw.choice([1, 1, 2, -1])},
        {"payload_least": draw.choice([0, 1, spec.payload_octets - 1])},
        {"lane_turned": True},
        {"bits_turned": True},
        {"waiting_most": draw.choice([0, 1])},
        {"clock_bias": draw.choice([-1, -1, 1, 2]) if by_dma else 0},
        {"sequence_modulus": draw.choice([16, 256, 65536]), "sequence_most": 8},
        {"packets_most": draw.choice([0, 1, 3])},
        {"errors_most": draw.choice([1, 2])},
    ]
    chosen = {}
    for each in draw.sample(quirks, draw.choice([1, 1, 2])):
        chosen |= each
    layout = spec.packet.layout
    if "sequence_most" in chosen and layout.least:
        # The first octet of the payload serves as the packet's number.
        layout = replace(layout, sequence=Number(layout.head, 1, "big"))
    packet = replace(spec.packet, layout=layout)
    world.spec = replace(spec, packet=packet, quirks=QuirkSpec(**chosen))
    return world


@pytest.mark.parametrize("make", [make_world, make_whole_world])
def test_bad_nodes_agree(make):
    """Rows, data, interrupts and edges are the same, with shortcuts and without."""
    for seed in SEEDS:
        compare(quirked(make(seed, long=seed % 10 == 0)))


def test_worlds_are_changed_by_their_quirks():
    """Every quirk changes what is shown, dropped or lost in some of these worlds."""
    changed: Counter[str] = Counter()
    for seed in SEEDS:
        for make in (make_world, make_whole_world):
            good = twin_result(make(seed))
            world = quirked(make(seed))
            bad = twin_result(world)
            same = (good.shown, good.data, good.dropped, good.lost)
            if same != (bad.shown, bad.data, bad.dropped, bad.lost):
                quirks, neutral = world.spec.quirks, QuirkSpec()
                changed.update(
                    name
                    for name in QuirkSpec.__slots__
                    if getattr(quirks, name) != getattr(neutral, name)
                )
    assert set(changed) == set(QuirkSpec.__slots__), changed


@pytest.mark.night
def test_many_more_bad_nodes():
    """The same on ten thousand worlds of either kind."""
    for seed in range(60_000, 70_000):
        compare(quirked(make_world(seed, long=seed % 10 == 0)))
        compare(quirked(make_whole_world(seed, long=seed % 10 == 0)))
