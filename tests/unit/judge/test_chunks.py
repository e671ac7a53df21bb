"""However the columns are cut, the judge says the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hypothesis import given, settings
from hypothesis import strategies as st
from unit.judge.rig import BURST_NS, EVERY_NODE, FOREIGN, Rig, payload

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
    Observes(marginal=False, lost=False),
)


DARK = bytes(3840)

WAYS = (
    (),
    (),
    ("processor.show=sync", "traffic.broadcast_every=1"),
    ("processor.on_silence=blackout", "processor.blackout_after=1 ms"),
)


def draw(random: Random) -> Rig:
    """A world with packets, foreign traffic, faults of every kind, and confessions.

    Its nodes show packets as they come, share one, show on a sync, or darken.
    """
    if random.random() < 0.2:
        return draw_shared(random)
    way = random.choice(WAYS)
    rig = Rig("accept.latency=2 ms", *way)
    contents = [payload(k, random.choice((4, 9, 16))) for k in range(30)]
    if "processor.on_silence=blackout" in way:
        contents += [DARK] * 10
    for frame in range(random.randint(1, 6)):
        for node in range(4):
            if random.random() < 0.3:
                rig.send(FOREIGN, random.choice(contents), address=20)
            to = EVERY_NODE if random.random() < 0.1 else node
            data = random.choice(contents)
            address = 255 if to == EVERY_NODE else 0
            sync = to == EVERY_NODE and "processor.show=sync" in way
            packet = rig.send(to, data, frame, address, sync=sync)
            for one in range(4) if to == EVERY_NODE else (node,):
                act(random, rig, one, packet, data)
            rig.wait(random.choice((0, 300_000, 1_000_000)))
    return rig


def draw_shared(random: Random) -> Rig:
    """A world with one packet for all nodes."""
    rig = Rig("accept.latency=2 ms", "accept.skew=60 ms", profile="dmx512")
    contents = [random.randbytes(random.choice((512, 512, 400))) for _ in range(3)]
    for frame in range(random.randint(1, 8)):
        data = random.choice(contents)
        packet = rig.send(EVERY_NODE, data, frame)
        for node in range(3):
            whose = node if random.random() < 0.9 else random.randrange(3)
            first = (0, 168, 344)[whose]
            act(random, rig, node, packet, data[first : first + 168])
        rig.wait(random.choice((0, 300_000, 1_000_000)))
    return rig


def act(random: Random, rig: Rig, node: int, packet: int, data: bytes) -> None:
    """What a node does about a packet, or says about it."""
    fate = random.random()
    clocks = rig.profile.node[node].output.burst_clocks
    if fate < 0.1:
        rig.drop(node, packet, random.choice(list(Drop)), random.choice((0, 5)))
    elif fate < 0.2:
        rig.lose(node, packet, random.randrange(5, 7), random.choice(list(Doing)))
    elif fate < 0.25:
        pass
    else:
        if fate < 0.35 and data:
            data = bytes([data[0] ^ 1]) + data[1:]
        if fate > 0.95:
            data = payload(random.randrange(30), max(4, len(data)))
        after_ns = random.choice((5_000, 200_000, 3_000_000))
        if 0.85 < fate < 0.9:
            begin(random, rig, node, after_ns, len(data))
        for _ in range(2 if fate < 0.3 else 1):
            rig.show(
                node,
                data,
                after_ns=after_ns if fate > 0.3 else random.choice((5_000, 3_000_000)),
                clocks=clocks + (fate > 0.9),
                latched=random.random() < 0.95,
                burst_ns=rig.now_ns + after_ns - BURST_NS,
            )


def begin(random: Random, rig: Rig, node: int, after_ns: int, octets: int) -> None:
    """The first part of a burst that goes on after a pause."""
    begun_ns = after_ns - BURST_NS
    rig.show(node, random.randbytes(octets), begun_ns, 100, lane_skew_ns=7)


def judged(
    rig: Rig, observes: Observes, cuts: Sequence[int]
) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]:
    """The verdict, the anomalies in order of time, and the counts of each interval."""
    judge = Judge(rig.profile, observes)
    intervals = []
    anomalies = []
    for chunk in rig.chunks(cuts):
        judge.take(*chunk)
        judge.cut()
        intervals += judge.settled(len(cuts))
        anomalies += judge.anomalies()
    judge.finish(rig.end_ns)
    intervals += judge.settled(len(cuts) + 2)
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
