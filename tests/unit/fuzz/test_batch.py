"""Very many cases at once say what one case at a time says, whatever the cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from unit.fuzz.boards import NAMES, attacks_on

from bench.fuzz.attacks import KINDS
from bench.fuzz.attacks.bench import Bench
from bench.fuzz.batch import Batch
from bench.fuzz.cases import Case, try_case
from bench.fuzz.oracles import judge_case
from bench.fuzz.oracles.many import Many
from bench.fuzz.oracles.referee import read
from bench.fuzz.zoo import bad_nodes
from bench.link.observes import EVERYTHING
from bench.node.link import SimulatedLink

FEW = 400


@pytest.mark.parametrize("name", NAMES)
def test_referees_agree(name):
    """The compiled referee finds what the one on the sans-IO decoder finds.

    Every other case loses some characters at random places.
    """
    attacks = attacks_on(name)
    many = Many(attacks.ground)
    draw = np.random.default_rng(1)
    found = 0
    for case in attacks.draw(5, 0, FEW):
        laid = attacks.lay(case)
        places = np.zeros(0, np.int64)
        if case.number % 2:
            count = min(3, len(laid.starts))
            places = np.sort(draw.choice(len(laid.starts), count, replace=False))
        resets = np.array(laid.resets, np.int64).reshape(-1, 2)
        line = laid.line
        count, _ = many.find(line.octets, laid.starts, line.flaws, places, resets)
        rows, data = many.found(count)
        names = ("begin_ns", "end_ns", "first", "end", "everyone", "fits")
        got = [tuple(int(row[key]) for key in names) for row in rows]
        reading = read(laid, laid.resets, {int(place) for place in places}).found
        assert got == [
            tuple(int(getattr(one, key)) for key in names) for one in reading
        ]
        size = attacks.ground.spec.payload_octets
        for row, one in zip(rows, reading, strict=True):
            if one.fits:
                assert (
                    data[row["data_at"] : row["data_at"] + size].tobytes() == one.data
                )
        found += count
    assert found > FEW


@pytest.mark.parametrize("name", NAMES)
def test_good_nodes_break_nothing(name):
    """Many thousand cases on a good node, and no oracle is broken."""
    batch = Batch(attacks_on(name), threads=1)
    ran = batch.run(3, 0, 8 * batch.size)
    assert ran.breaches == ()
    assert ran.cases == 8 * batch.size
    assert ran.seen[0] > ran.cases  # packets that were taken


@pytest.mark.parametrize("name", NAMES)
def test_every_attack_is_drawn(name):
    """Each attack that a profile allows comes in some thousand cases, and no other."""
    attacks = attacks_on(name)
    ran = Batch(attacks, threads=1).run(3, 0, 20_000)
    drawn = {KINDS[number].name for number in np.nonzero(ran.tried)[0]}
    rare = {"reset-inside", "start-inside"}
    assert drawn - rare == {kind.name for kind in attacks.kinds} - rare


def test_any_split_is_the_whole():
    """However the cases are asked for, the same ones break the same oracles."""
    bad = next(bad for bad in bad_nodes() if bad.name == "length-wraps")
    batch = bad.batch(threads=1)
    whole = batch.run(1, 0, 2000)
    assert len(whole.breaches) > 3
    parts = [batch.run(1, first, count) for first, count in ((0, 333), (333, 1667))]
    assert parts[0].breaches + parts[1].breaches == whole.breaches
    assert (parts[0].tried + parts[1].tried == whole.tried).all()
    assert bad.batch(threads=2).run(1, 0, 2000).breaches == whole.breaches


@pytest.mark.parametrize("name", ["check-ignored", "latch-gap-short", "stale-tail"])
def test_a_case_breaks_by_itself_what_it_broke_among_others(name):
    """What a batch finds is found again by one case on a fresh link, and told."""
    bad = next(bad for bad in bad_nodes() if bad.name == name)
    batch = bad.batch(threads=1)
    breached = batch.run(1, 0, batch.size, most=1).breaches[0]
    case = batch.case(1, breached.number)
    with bad.make_link() as link:
        found = try_case(case, batch.attacks, link)
    assert breached.alone
    assert breached.oracle in {breach.oracle for breach in found}
    assert all(breach.text and breach.should and breach.did for breach in found)


def test_what_needs_its_context_says_so():
    """A node whose counter sticks breaks nothing in one case, but after many."""
    bad = next(bad for bad in bad_nodes() if bad.name == "counter-sticks")
    batch = bad.batch(threads=1)
    breached = batch.run(1, 0, batch.size, most=1).breaches[0]
    assert not breached.alone
    assert breached.number - breached.led > 50
    cases = batch.led_by(1, breached)
    assert [case.number for case in cases] == list(
        range(breached.led, breached.number + 1)
    )


@pytest.mark.parametrize("name", ["causeway", "jetty", "dmx512"])
def test_batch_and_single_judge_agree_on_bad_nodes(name):
    """On nodes that are wrong, a case breaks an oracle in both or in neither.

    Cases are laid by themselves for both, so that none needs what led up to it.
    """
    checked = 0
    for bad in bad_nodes():
        if bad.profile.name != name or bad.spec.on_sync or checked > 8:
            continue
        checked += 1
        attacks = bad.attacks()
        many = Many(attacks.ground)
        for case in attacks.draw(9, 0, 40):
            bench = Bench(attacks.ground, case.seed)
            laid = bench.lay_one(case)
            if laid.resets:
                continue
            with bad.make_link() as link:
                seen = link.carry(laid.line)
            mine = seen.shown["node"] == 0
            from bench.node.simulated import Played, SimulatedNode

            played = SimulatedNode(bad.spec).play(laid.line)
            assert isinstance(played, Played)
            assert len(played.shown) == mine.sum()
            told, _, _, _ = many.judge(bench, [played])
            single = judge_case(laid, seen, EVERYTHING)
            assert bool(len(told)) == bool(single), (bad.name, case.rows.tolist())
    assert checked > 2


def test_cases_replay_from_seed_and_number():
    """A case depends on the seed and its number, and not on what was drawn before."""
    attacks = attacks_on("causeway")
    drawn = attacks.draw(7, 0, 50)
    assert [attacks.draw(7, number, 1)[0] for number in range(50)] == drawn
    assert attacks.draw(8, 0, 50) != drawn
    case = drawn[3]
    again = attacks.lay(Case(case.rows, 7, 3))
    assert again.line.octets.tobytes() == attacks.lay(case).line.octets.tobytes()


def test_a_good_link_breaks_nothing_case_by_case():
    """One case at a time on a link at rest, resets included."""
    attacks = attacks_on("causeway")
    cases = attacks.draw(2, 0, 30)
    cases += attacks.draw(2, 0, 30, only=["reset-inside", "start-inside"])
    for case in cases:
        with SimulatedLink(attacks.ground.profile, threads=1) as link:
            assert try_case(case, attacks, link) == [], case.rows.tolist()


def test_less_around_is_laid():
    """Good traffic around a case can be left out, all but the last packet."""
    attacks = attacks_on("causeway")
    case = attacks.draw(2, 0, 1)[0]
    bare = replace(case, before=0, around=0)
    whole, less = attacks.lay(case), attacks.lay(bare)
    assert len(less.line.octets) < len(whole.line.octets)
    assert len(less.good) >= 1
    smaller = list(attacks.around(case))
    assert smaller[0] == bare
    assert case not in smaller


@pytest.mark.night
@pytest.mark.parametrize("name", [*NAMES])
def test_no_false_alarm_in_ten_million(name):
    """Ten million cases on each good node, payloads of at most 16 octets."""
    batch = Batch(attacks_on(name))
    step = 100 * batch.size
    for first in range(0, 10_000_000, step):
        assert batch.run(77, first, step).breaches == (), first
