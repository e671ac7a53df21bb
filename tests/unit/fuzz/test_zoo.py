"""The exam of the bench: every bad node is found, by cases as small as can be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bench.fuzz.attacks.kinds import NUMBER_OF
from bench.fuzz.cases import Case, try_case
from bench.fuzz.zoo import bad_nodes
from bench.fuzz.zoo.boards import BOARDS, board
from bench.node.spec import QuirkSpec

ZOO = {bad.name: bad for bad in bad_nodes()}
MOST = 20_000


def test_the_zoo_is_large_enough():
    """At least thirty bad nodes, each with a name and a sentence of its own."""
    assert len(ZOO) >= 30
    assert len({bad.sentence for bad in ZOO.values()}) == len(ZOO)
    assert {bad.kind for bad in ZOO.values()} == {"framing", "timing", "lights"}


def test_good_nodes_are_not_in_it():
    """Every one differs from what its profile says, by numbers alone."""
    from bench.node.spec import node_specs

    for bad in ZOO.values():
        good = node_specs(bad.profile)[0]
        assert bad.spec != good
        assert type(bad.spec) is type(good)
        assert good.quirks == QuirkSpec()


@pytest.mark.parametrize("name", ZOO)
def test_every_bad_node_is_found(name):
    """Within some thousand cases; in the very same case every time."""
    bad = ZOO[name]
    batch = bad.batch(threads=1)
    ran = batch.run(1, 0, MOST, most=1)
    assert ran.breaches, bad.sentence
    again = bad.batch(threads=1).run(1, 0, MOST, most=1)
    assert again.breaches == ran.breaches


@pytest.mark.parametrize("name", [n for n, bad in ZOO.items() if bad.smallest == 0])
def test_good_traffic_is_enough(name):
    """Nodes that good traffic alone shows to be bad."""
    bad = ZOO[name]
    attacks = bad.attacks()
    case = Case(np.zeros((0, 3), np.int64), 1, 0)
    with bad.make_link() as link:
        assert try_case(case, attacks, link)


@pytest.mark.parametrize("name", [n for n, bad in ZOO.items() if bad.smallest == 1])
def test_one_row_is_needed_and_enough(name):
    """Nodes that stand good traffic, and fall over a single row."""
    bad = ZOO[name]
    batch = bad.batch(threads=1)
    attacks = batch.attacks
    with bad.make_link() as link:
        bare = Case(np.zeros((0, 3), np.int64), 1, 0)
        assert try_case(bare, attacks, link) == []
    found = batch.run(1, 0, 40_000, most=12).breaches
    for breached in found:
        case = batch.case(1, breached.number)
        for row in case.rows:
            with bad.make_link() as link:
                if try_case(replace(case, rows=row[None, :]), attacks, link):
                    return
    raise AssertionError(f"no single row of {len(found)} cases does it")


def test_a_packet_and_a_false_sync_are_needed():
    """What counts as a sync shows only between a packet and its own sync."""
    bad = ZOO["sync-by-anybody"]
    assert bad.smallest == 2
    attacks = bad.attacks()
    calm, false = (NUMBER_OF["calm"], 0, 0), (NUMBER_OF["address-bits"], 0, 1)
    for rows, breaks in (([calm], 0), ([false], 0), ([calm, false], 1)):
        with bad.make_link() as link:
            case = Case(np.array(rows, np.int64), 1, 0)
            assert bool(try_case(case, attacks, link)) == bool(breaks)


def test_a_profile_has_the_bad_nodes_that_it_can_have():
    """From any profile those are made that are wrong about something it has."""
    for name in ("causeway", "jetty", "dmx512"):
        made = {bad.name for bad in bad_nodes(board(name))}
        assert "rearranges-slowly" in made
        assert ("address-low-bit" in made) == (name != "dmx512")
        assert ("window-off-by-one" in made) == (name == "dmx512")
    assert len(BOARDS) >= 10
