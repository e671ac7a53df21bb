"""Intervals: packets by when they were sent, told once all of them are decided."""

from __future__ import annotations

import random as randoms
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.trial.soak.nights import SMALL, Mirrors, World

from bench.base.columns import SENT
from bench.judge.judge import Judge
from bench.link.observes import EVERYTHING
from bench.profile.load import load_profile
from bench.traffic.schedule import Schedule

S = 10**9
PROFILE = load_profile("causeway", SMALL)
PACKETS = 80


class Losing(World):
    """A world in which some packets are lost, by their number."""

    def __init__(self, gone: set[int]) -> None:
        super().__init__()
        self.gone, self.next = gone, 0

    def takes_one(self) -> bool:
        """Whether the next packet is lost."""
        self.next += 1
        return self.next - 1 in self.gone


def judged(gone: set[int], ends: list[int], most: int) -> tuple[Any, list[Any]]:
    """The figures of a trial, and its intervals that end at some packets."""
    nodes = Mirrors(Losing(gone), PROFILE)
    judge, told = Judge(PROFILE, EVERYTHING, details=True), []
    schedule = Schedule(PROFILE, seed=1, packets=PACKETS)
    sent_so_far, due = 0, list(ends)
    until_ns = 0
    while (chunk := schedule.take(most)) is not None:
        line, sent = chunk
        until_ns = line.until_ns
        # An interval ends between two chunks: cut where a packet ends.
        while due and sent_so_far >= due[0]:
            due.pop(0)
            judge.cut()
        judge.take(line, sent, nodes.carry(line, sent))
        sent_so_far += int((sent.rows["to"] >= 0).sum())
        told += judge.settled(100)
    rest = type(line)(line.octets[:0], line.runs[:0], line.flaws[:0], 0, until_ns + S)
    empty = type(sent)(sent.rows[:0], sent.payload[:0])
    rest = type(rest)(
        rest.octets, rest.runs, rest.flaws, line.first + len(line.octets), rest.until_ns
    )
    judge.take(rest, empty, nodes.carry(rest, empty))
    judge.finish(until_ns + S)
    told += judge.settled(100)
    return judge.result().figures, told


@given(
    st.sets(st.integers(0, PACKETS - 1), max_size=20),
    st.lists(st.integers(1, PACKETS - 1), max_size=4, unique=True),
)
@settings(max_examples=15, deadline=None)
def test_by_when_sent(gone: set[int], ends: list[int]) -> None:
    """Each interval has the packets that were sent in it, lost ones among them."""
    ends = sorted(ends)
    # So small a chunk holds one own packet at most: they are 25 ms apart.
    figures, told = judged(gone, ends, 1000)
    edges = [0, *ends, PACKETS]
    assert len(told) == len(edges) - 1
    for record, first, end in zip(told, edges, edges[1:], strict=False):
        inside = {n for n in gone if first <= n < end}
        packets = record["packets"]
        assert packets["offered"] == end - first
        assert packets["lost"] == len(inside)
        assert packets["shown"] == end - first - len(inside)
        by_node = record["packets_by_node"]
        assert sum(by_node["offered"]) == end - first
        latency = record["latency_ns"]
        assert (latency is None) == (packets["shown"] == 0)
    for word, count in figures["packets"].items():
        assert sum(record["packets"][word] for record in told) == count
    causes = [cause for record in told for cause in record.get("causes", ())]
    assert sum(cause["count"] for cause in causes) == len(gone)
    assert sum(sum(r["seen_by_node"].get("bursts", [0])) for r in told) == (
        PACKETS - len(gone)
    )


@pytest.mark.parametrize("most", [100, 700, 5000])
def test_chunks_do_not_matter(most: int) -> None:
    """Whole trials in one interval say the same, however they were cut into chunks."""
    gone = set(randoms.Random(1).sample(range(PACKETS), 20))
    whole = judged(gone, [], 1 << 20)
    assert judged(gone, [], most) == whole


def test_not_told_before_decided() -> None:
    """An interval with a packet on its way is not told, and no more than asked for."""
    nodes = Mirrors(Losing(set()), PROFILE)
    judge = Judge(PROFILE, EVERYTHING)
    schedule = Schedule(PROFILE, seed=1, packets=8)
    chunk = schedule.take(1 << 20)
    assert chunk is not None
    line, sent = chunk
    early = type(line)(line.octets, line.runs, line.flaws, 0, 0)
    judge.take(line, sent, nodes.carry(early, sent))
    judge.cut()
    assert judge.settled(9) == []
    rest = type(line)(
        line.octets[:0], line.runs[:0], line.flaws[:0], len(line.octets), S
    )
    empty = type(sent)(sent.rows[:0].astype(SENT), sent.payload[:0])
    judge.take(rest, empty, nodes.carry(rest, empty))
    judge.cut()
    assert len(judge.settled(1)) == 1
    assert len(judge.settled(9)) == 1
