"""Every oracle, on what a good node showed with one thing changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from unit.fuzz.boards import attacks_on

from bench.base.columns import LOST, Drop
from bench.fuzz.cases import Case
from bench.fuzz.oracles import ORACLES, judge_case
from bench.fuzz.oracles.breach import NEED_HEALTH
from bench.kernels.fuzz import records
from bench.link.observes import EVERYTHING, Observes
from bench.node.link import SimulatedLink


def tried(*rows, board="causeway"):
    """A case, and what a good node made of it."""
    attacks = attacks_on(board)
    case = Case(np.array(rows, np.int64).reshape(-1, 3), 1, 0)
    laid = attacks.lay(case)
    with SimulatedLink(attacks.ground.profile, threads=1) as link:
        return laid, link.carry(laid.line)


def oracles(laid, seen, observes=EVERYTHING, **more):
    """The oracles that are broken."""
    return {breach.oracle for breach in judge_case(laid, seen, observes, **more)}


def rows_of_node(seen):
    """Places of the first node's bursts."""
    return np.nonzero(seen.shown["node"] == 0)[0]


def test_a_good_node_breaks_none():
    """As it was shown."""
    laid, seen = tried((records.TRUNCATED, 9, 0))
    assert oracles(laid, seen) == set()
    assert len(laid.good) == 3


@pytest.mark.parametrize(
    ("place", "oracle"), [(0, "recovery"), (1, "recovery"), (-1, "alive")]
)
def test_a_packet_that_is_not_shown(place, oracle):
    """A good packet's burst is missing: the last one means that the node is dead."""
    laid, seen = tried((records.CALM, 0, 0))
    gone = rows_of_node(seen)[place]
    less = replace(seen, shown=np.delete(seen.shown, gone))
    assert oracles(laid, less) == {oracle}


def test_wrong_data():
    """One bit of a burst is another."""
    laid, seen = tried((records.CALM, 0, 0))
    data = seen.data.copy()
    data[seen.shown[rows_of_node(seen)[1]]["data_at"]] ^= 1
    assert oracles(laid, replace(seen, data=data)) == {"data", "recovery"}


def test_something_is_shown_that_nobody_sent():
    """A burst more, of nothing that was on the line."""
    laid, seen = tried((records.TRUNCATED, 9, 0))
    row = seen.shown[rows_of_node(seen)[-1]].copy()
    row["burst_ns"] += 10**6
    row["first_bit_ns"] += 10**6
    row["end_ns"] += 10**6
    row["shown_ns"] += 10**6
    row["data_at"] = len(seen.data)
    data = np.concatenate((seen.data, np.zeros(row["data_octets"], np.uint8)))
    more = replace(seen, shown=np.append(seen.shown, row), data=data)
    assert oracles(laid, more) == {"unsound"}
    row["data_at"] = seen.shown[rows_of_node(seen)[-1]]["data_at"]
    again = replace(seen, shown=np.append(seen.shown, row))
    assert oracles(laid, again) == {"repeated"}


def test_something_foreign_is_shown():
    """A burst that holds what a packet for somebody else did."""
    laid, seen = tried((records.FOREIGN_TWIN, 0, 0))
    foreign = laid.pieces[laid.pieces["own"] == 0][0]
    head = laid.ground.form.layout.head
    first = int(foreign["first"]) + head
    payload = laid.line.octets[first : first + laid.ground.payload_octets]
    row = seen.shown[rows_of_node(seen)[-1]].copy()
    for name in ("burst_ns", "first_bit_ns", "end_ns", "shown_ns"):
        row[name] += 10**6
    row["data_at"] = len(seen.data)
    data = np.concatenate((seen.data, payload))
    more = replace(seen, shown=np.append(seen.shown, row), data=data)
    assert oracles(laid, more) == {"foreign"}


@pytest.mark.parametrize(
    ("name", "value", "oracle"),
    [("clocks", 17, "clocks"), ("marginal", 1, "clocks"), ("shown_ns", -1, "latch")],
)
def test_a_wrong_burst(name, value, oracle):
    """A burst with a clock too many, with a runt, or that was never latched."""
    laid, seen = tried((records.CALM, 0, 0))
    shown = seen.shown.copy()
    shown[name][rows_of_node(seen)[0]] = value
    assert oracles(laid, replace(seen, shown=shown)) == {oracle}


def test_a_late_burst():
    """A packet is shown later than the profile's numbers say."""
    laid, seen = tried((records.CALM, 0, 0))
    shown = seen.shown.copy()
    last = rows_of_node(seen)[-1]
    for name in ("burst_ns", "first_bit_ns", "end_ns", "shown_ns"):
        shown[name][last] += laid.ground.settle_ns
    assert oracles(laid, replace(seen, shown=shown)) == {"latency"}


def test_a_lost_character():
    """A receiver that has time for every character loses none."""
    laid, seen = tried((records.CALM, 0, 0))
    lost = np.array([(2, 10**6, 0, 3)], LOST)
    assert "overrun" in oracles(laid, replace(seen, lost=lost))
    assert "overrun" not in oracles(
        laid, replace(seen, lost=lost), Observes(lost=False)
    )


def test_a_packet_that_is_not_accounted_for():
    """Under overload packets may be dropped, and the node says so."""
    laid, seen = tried(*[(records.OVERLOAD, 0, 6)] * 3)
    full = seen.dropped["reason"] == Drop.NO_RECEIVE_BUFFER
    assert full.any()
    assert oracles(laid, seen) == set()
    silent = replace(seen, dropped=seen.dropped[~full])
    assert oracles(laid, silent) == {"counters"}
    assert oracles(laid, silent, Observes(dropped=False)) == set()


def test_what_a_link_cannot_see_is_not_claimed():
    """Without clocks nothing is said of clocks; without bursts nothing at all."""
    laid, seen = tried((records.CALM, 0, 0))
    shown = seen.shown.copy()
    shown["clocks"] = 3
    assert oracles(laid, replace(seen, shown=shown), Observes(clocks=False)) == set()
    nothing = replace(seen, shown=seen.shown[:0])
    assert oracles(laid, nothing, Observes(shown=False)) == set()
    assert "alive" in oracles(laid, nothing)


def test_health_is_judged_first():
    """If the bench did not do its part, nothing is said of what that causes."""
    laid, seen = tried((records.CALM, 0, 0))
    nothing = replace(seen, shown=seen.shown[:0])
    assert oracles(laid, nothing, health=("the queue ran dry",)) == set()
    shown = seen.shown.copy()
    shown["clocks"] = 3
    wrong = replace(seen, shown=shown)
    assert oracles(laid, wrong, health=("the queue ran dry",)) == {"clocks"}
    assert set(ORACLES) > NEED_HEALTH


def test_a_sync_comes_first():
    """Where packets wait for a sync, one that is shown before is wrong."""
    laid, seen = tried((records.CALM, 0, 0), board="synced")
    assert oracles(laid, seen) == set()
    shown = seen.shown.copy()
    first = rows_of_node(seen)[0]
    good = laid.good[0]
    early = int(good["last_bit_ns"]) + 10_000 - int(shown["burst_ns"][first])
    for name in ("burst_ns", "first_bit_ns", "end_ns", "shown_ns"):
        shown[name][first] += early
    assert "unsound" in oracles(laid, replace(seen, shown=shown))
