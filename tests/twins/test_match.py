"""The matcher's kernels against their twin: the same outcomes, however cut."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import match_columns, match_twin

from bench.base.columns import To
from bench.judge.kept.history import History
from bench.judge.match import Addressee, Matcher, Window
from bench.kernels.match import records

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.base.columns import Rows

ROOT = Path(__file__).parents[2]


NO_SLOT = (match_twin.STRAY, match_twin.DARK, match_twin.REST)


def addressee(world: match_twin.World, node: int) -> Addressee:
    """What the matcher is told of a node."""
    share = None if world.shares is None else world.shares[node]
    dark = world.dark[node] or (None, 0)
    return Addressee(share, world.sync[node], world.clocks, *dark)


def matched(
    world: match_twin.World, cuts: Sequence[int], lag_ns: int = 0
) -> list[list[match_twin.Outcome]]:
    """What the matcher makes of a world, as the twin tells it."""
    history = History(lambda characters: characters, world.shares)
    window = Window(
        world.packets,
        world.memory_ns,
        2 * match_columns.LATENCY_NS + 1,
        by_content=world.by_content,
    )
    nodes = [addressee(world, node) for node in range(world.nodes)]
    matcher = Matcher(nodes, history, window)
    told: list[list[match_twin.Outcome]] = [[] for _ in range(world.nodes)]

    def tell(outcomes: Rows, bursts: list[int]) -> None:
        for kind, node, slot, sent, burst, alike, bits, other in outcomes.tolist():
            assert (slot >= 0) == (kind not in NO_SLOT)
            index = bursts[burst] if burst >= 0 else -1
            told[node].append((kind, sent, index, alike, bits, other))

    order = match_columns.order(world, cuts, lag_ns)
    for bursts, (line, sent, seen) in zip(
        order, match_columns.chunks(world, cuts, lag_ns), strict=True
    ):
        rows = history.add(line, sent)
        tell(matcher.take(rows, seen), bursts)
        history.forget(matcher.floor_ns)
    tell(matcher.finish(world.until_ns), [])
    return told


def check(random: Random) -> list[list[match_twin.Outcome]]:
    """Compare the two on one world; returns what both say."""
    world = match_columns.draw_world(random)
    cuts = [random.randint(0, 600) for _ in range(random.randint(0, 6))]
    expected = match_twin.outcomes(world)
    assert matched(world, cuts, random.choice((0, 0, 30))) == expected
    return expected


@given(st.randoms(use_true_random=False))
@settings(max_examples=150, deadline=None)
def test_kernel_equals_twin(random: Random) -> None:
    """Every outcome is that of the definition, in the same order, for each node."""
    check(random)


def test_worlds_hold_every_outcome() -> None:
    """What is compared covers every kind, and none of them by a lucky few."""
    outcomes = [
        outcome
        for seed in range(400)
        for node in check(Random(seed))
        for outcome in node
    ]
    for kind in range(9):
        assert sum(outcome[0] == kind for outcome in outcomes) > 50
    assert sum(outcome[0] == match_twin.MOVED for outcome in outcomes) > 10
    assert sum(outcome[3] for outcome in outcomes) > 50
    owned = [o for o in outcomes if o[0] == match_twin.STRAY and o[1] >= 0]
    assert len(owned) > 50


def test_worlds_hold_every_way() -> None:
    """Among them are shared payloads, syncs, packets that none released, darkness."""
    held = shared = 0
    for seed in range(400):
        world = match_columns.draw_world(Random(seed))
        shared += world.shares is not None
        for node, told in enumerate(match_twin.outcomes(world)):
            own = {one.index for one in world.queue(node)}
            held += sum(o[0] == match_twin.STRAY and o[1] in own for o in told)
    assert held > 20
    assert shared > 50


def test_words_are_the_same() -> None:
    """Kernels cannot import the columns, so their constants are held equal here."""
    assert records.EVERY_NODE == To.EVERY_NODE == match_twin.EVERY_NODE
    assert match_twin.FOREIGN == To.FOREIGN
    assert records.NOBODY == -1


@pytest.mark.skipif(
    bool(os.environ.get("NUMBA_BOUNDSCHECK")), reason="this is that run"
)
def test_kernels_stay_within_their_arrays() -> None:
    """With every index checked the outcomes are the same, and no check fires."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", __file__],
        env=os.environ | {"NUMBA_BOUNDSCHECK": "1", "PYTHONPATH": str(ROOT)},
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "4 passed, 1 skipped" in done.stdout
