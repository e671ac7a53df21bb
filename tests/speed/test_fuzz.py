"""How many attack cases a second there are on the simulated node: `-m speed -s`.

On one core, drawing, laying, playing, finding and judging included, and on two.  What a
case is worth depends on its packets, so characters a case stand beside each figure.
"""

from __future__ import annotations

from time import perf_counter, process_time

import pytest

from bench.fuzz.attacks import Attacks
from bench.fuzz.batch import Batch
from bench.fuzz.zoo import bad_nodes
from bench.fuzz.zoo.boards import SHORT
from bench.profile import load_profile

BASE = ("output.devices=1", "output.latch_gap=20 us")
CASES = {
    "causeway, payloads of 4": (
        "causeway",
        (
            *BASE,
            "output.lanes=4",
            "output.register_bits=8",
            "output.channel.bits=8",
            "packet.fields.4.most=4",
            "traffic.foreign.lengths=[4]",
        ),
    ),
    "causeway, payloads of 8": (
        "causeway",
        (
            *BASE,
            "output.register_bits=8",
            "output.channel.bits=8",
            "packet.fields.4.most=8",
            "traffic.foreign.lengths=[8]",
        ),
    ),
    **{f"{name}, short": (name, sets) for name, sets in SHORT.items()},
}


def rate_of(batch: Batch, cases: int, clock) -> float:
    """Cases a second, the best of five."""
    best = 0.0
    for part in range(5):
        began = clock()
        batch.run(1, part * cases, cases)
        best = max(best, cases / (clock() - began))
    return best


@pytest.mark.speed
@pytest.mark.parametrize("name", CASES)
def test_cases_a_second(name):
    """One core, by its own time; and two cores, by the clock on the wall."""
    profile, sets = CASES[name]
    attacks = Attacks(load_profile(profile, sets))
    one, two = Batch(attacks, threads=1), Batch(attacks, threads=2)
    cases = 16 * one.size
    ran = one.run(1, 0, cases)
    two.run(1, 0, cases)
    alone = rate_of(one, cases, process_time)
    wall, both = rate_of(one, cases, perf_counter), rate_of(two, cases, perf_counter)
    print(  # noqa: T201
        f"\nfuzz, {name}: {alone / 1e3:.0f} thousand cases/s on one core "
        f"({ran.characters / ran.cases:.0f} characters a case); on two cores "
        f"{both / 1e3:.0f} thousand, {both / wall:.2f} x"
    )
    assert ran.breaches == ()


@pytest.mark.speed
def test_the_zoo():
    """How long it takes to find every bad node."""
    nodes = bad_nodes()
    for bad in nodes:
        bad.batch().run(1, 0, 1, most=1)
    began = perf_counter()
    cases = 0
    for bad in nodes:
        ran = bad.batch().run(1, 0, 20_000, most=1)
        assert ran.breaches, bad.name
        cases += ran.breaches[0].number + 1
    spent = perf_counter() - began
    print(f"\nzoo: {len(nodes)} bad nodes in {spent:.1f} s, {cases} cases")  # noqa: T201
