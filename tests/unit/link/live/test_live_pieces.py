"""Pieces of a line: what is handed over together, and from when on."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from unit.link.live.stub import (
    BAUD,
    CHARACTER_NS,
    MS,
    Stub,
    counter,
    line_of,
    link_over,
    packets,
)

from bench.base.clock import JumpClock
from bench.base.columns import Flaw
from bench.base.grid import Grid
from bench.link.live.packets import Datagrams
from bench.link.live.pieces import Cutter
from bench.trial.slices import cut_at

PITCH = Grid.of_rate(BAUD, 10)

RUNS = st.lists(
    st.tuples(st.integers(1, 700), st.integers(0, 5 * MS)), min_size=1, max_size=5
)
"""Characters of a run, and the rest before it."""


def runs_of(drawn: list[tuple[int, int]]) -> tuple[bytes, list[tuple[int, int]]]:
    """A line with such runs."""
    at, ns, runs = 0, 0, []
    for count, rest_ns in drawn:
        ns += rest_ns if at else 0
        if not runs or rest_ns:
            runs.append((at, ns))
        at += count
        ns += count * CHARACTER_NS
    return counter(at), runs


def expected(
    octets: bytes, runs: list[tuple[int, int]], lead: int, piece: int
) -> list[int]:
    """When each character is handed over, by the definition, in characters."""
    times = []
    bounds = [*runs, (len(octets), 0)]
    for (first, ns), (end, _) in pairwise(bounds):
        for k in range(end - first):
            begun = 0 if k < lead + piece else k - (k - lead) % piece - lead
            times.append(ns + begun * CHARACTER_NS)
    return times


@given(RUNS, st.integers(0, 60), st.integers(1, 60))
def test_when_characters_are_due(drawn, lead, piece):
    """A run opens with what the lead covers; pieces come a lead before their start."""
    octets, runs = runs_of(drawn)
    cutter = Cutter(PITCH, lead * CHARACTER_NS, piece * CHARACTER_NS)
    times = [-1] * len(octets)
    for found in cutter.pieces(line_of(octets, runs)):
        times[found.first : found.end] = [found.due_ns] * (found.end - found.first)
    assert times == expected(octets, runs, lead, piece)


@pytest.mark.parametrize("pacing", ["packed", "timed", "flood"])
@given(drawn=RUNS, data=st.data())
def test_any_cutting_into_chunks(pacing, drawn, data):
    """The same octets at the same instants, however the line is cut into chunks."""
    octets, runs = runs_of(drawn)
    whole = line_of(octets, runs)
    cuts = sorted(data.draw(st.sets(st.integers(1, len(octets)), max_size=6)))
    result = []
    for places in ([], cuts):
        stub = Stub(JumpClock(7))
        with link_over(stub, pacing=pacing, lead_ns=MS // 2, piece_ns=MS // 5) as link:
            rest = whole
            for place in places:
                none = packets()
                (head, _), (rest, _) = cut_at(rest, none, place - rest.first, PITCH)
                link.carry(head)
            link.carry(rest)
            counts = link.counts
        result.append((stub.octets, stub.times, counts))
    assert result[0] == result[1]
    assert result[0][0] == octets


@pytest.mark.parametrize("kind", [Flaw.BREAK, Flaw.ADDRESS])
def test_what_is_sent_apart(kind):
    """A break or a marked character is a piece of its own, wherever it lies."""
    cutter = Cutter(PITCH, MS, MS)
    line = line_of(counter(9), [(0, 0)], flaws=[(0, 9, kind), (4, 7, kind)])
    spans = [(p.first, p.end, p.flaw, p.length_ns) for p in cutter.pieces(line)]
    assert spans == [(0, 1, kind, 9), (1, 4, 0, 0), (4, 5, kind, 7), (5, 9, 0, 0)]


@given(st.sets(st.integers(1, 59), max_size=5))
def test_datagrams(cuts):
    """Each packet whole, at its last bit; what lies between packets is counted."""
    octets, spans = counter(60), [(5, 20, 1000), (25, 10, 2000), (40, 15, 3000)]
    rest, sent = line_of(octets, [(0, 0)]), packets(*spans)
    datagrams, found = Datagrams(), []
    for place in sorted(cuts):
        head, (rest, left) = cut_at(rest, sent, place - rest.first, PITCH)
        found += list(datagrams.packets(*head))
        sent = left
    found += list(datagrams.packets(rest, sent))
    assert [(one.octets, one.due_ns) for one in found] == [
        (octets[first : first + count], due_ns) for first, count, due_ns in spans
    ]
    assert datagrams.left_out == 5 + 5
