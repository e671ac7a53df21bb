"""However the columns are cut, the judge says the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hypothesis import given, settings
from hypothesis import strategies as st
from unit.judge.rig import CLOCKS, EVERY_NODE, FOREIGN, Rig, payload

from bench.base.columns import Doing, Drop
from bench.judge.judge import Judge
from bench.link.observes import EVERYTHING, Observes

if TYPE_CHECKING:
    from collections.abc import Sequence
    from random import Random

LINKS = (
    EVERYTHING,
    EVERYTHING,
    Observes(data=False),
    Observes(dropped=False, lost=False),
    Observes(clocks=False, marginal=False, dropped=False),
    Observes(nodes=(0, 2)),
)


def draw(random: Random) -> Rig:
    """A world with packets, foreign traffic, faults of every kind, and confessions."""
    rig = Rig("accept.latency=2 ms")
    contents = [payload(k, random.choice((4, 9, 16))) for k in range(30)]
    for frame in range(random.randint(1, 6)):
        for node in range(4):
            if random.random() < 0.3:
                rig.send(FOREIGN, random.choice(contents), address=20)
            to = EVERY_NODE if random.random() < 0.1 else node
            data = random.choice(contents)
            address = 255 if to == EVERY_NODE else 0
            packet = rig.send(to, data, frame, address)
            for one in range(4) if to == EVERY_NODE else (node,):
                act(random, rig, one, packet, data)
            rig.wait(random.choice((0, 300_000, 1_000_000)))
    return rig


def act(random: Random, rig: Rig, node: int, packet: int, data: bytes) -> None:
    """What a node does about a packet, or says about it."""
    fate = random.random()
    if fate < 0.1:
        rig.drop(node, packet, random.choice(list(Drop)), random.choice((0, 5)))
    elif fate < 0.2:
        rig.lose(node, packet, random.randrange(5, 10), random.choice(list(Doing)))
    elif fate < 0.25:
        pass
    else:
        if fate < 0.35:
            data = bytes([data[0] ^ 1]) + data[1:]
        if fate > 0.95:
            data = payload(random.randrange(30), len(data))
        for _ in range(2 if fate < 0.3 else 1):
            rig.show(
                node,
                data,
                after_ns=random.choice((5_000, 200_000, 3_000_000)),
                clocks=CLOCKS + (fate > 0.9),
                latched=random.random() < 0.95,
            )


def judged(
    rig: Rig, observes: Observes, cuts: Sequence[int]
) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]:
    """The verdict, the anomalies in order of time, and the counts of each interval."""
    judge = Judge(rig.profile, observes)
    intervals = []
    anomalies = []
    for chunk in rig.chunks(cuts):
        judge.take(*chunk)
        intervals.append(judge.interval())
        anomalies += judge.anomalies()
    judge.finish(rig.end_ns)
    intervals.append(judge.interval())
    anomalies += judge.anomalies()
    anomalies.sort(key=lambda one: (one["ns"], one["node"], one["kind"]))
    return judge.result().as_dict(), anomalies, intervals


def added(intervals: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Counts of intervals, added up."""
    first = intervals[0]
    return {
        key: added([interval[key] for interval in intervals])
        if isinstance(value, dict)
        else None
        if value is None
        else sum(interval[key] for interval in intervals)
        for key, value in first.items()
    }


@given(st.randoms(use_true_random=False))
@settings(max_examples=150, deadline=None)
def test_cuts_do_not_matter(random: Random) -> None:
    """Verdict, causes and anomalies of the whole are those of any split of it."""
    rig = draw(random)
    observes = random.choice(LINKS)
    if observes.nodes is not None:
        rig.bursts = [(row, d) for row, d in rig.bursts if row[7] in observes.nodes]
    cuts = [random.randrange(rig.end_ns) for _ in range(random.randint(1, 8))]
    verdict, anomalies, intervals = judged(rig, observes, cuts)
    whole, whole_anomalies, _ = judged(rig, observes, ())
    assert verdict == whole
    assert anomalies == whole_anomalies
    totals = added(intervals)
    assert totals["packets"] == whole["packets"]
    assert totals["dropped_frames"] == whole["dropped_frames"]
    assert totals["lost_characters"] == whole["lost_characters"]
    assert totals["characters"] == whole["line"]["characters"]


@given(st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_sums(random: Random) -> None:
    """Offered is shown, lost and corrupt; nodes and causes add up to the whole."""
    figures = draw(random).verdict().figures
    packets = figures["packets"]
    assert packets["offered"] == (
        packets["shown"] + packets["lost"] + packets["corrupt"]
    )
    for word, count in packets.items():
        assert count == sum(node["packets"][word] for node in figures["nodes"])
    for what in ("lost", "corrupt", "stray"):
        told = sum(c["count"] for c in figures["causes"] if c["what"] == what)
        assert told == packets[what]
