"""Nodes that show what they hold on a sync."""

from __future__ import annotations

from typing import Any

import pytest
from unit.judge.rig import CHARACTER_NS, EBB, FLOOD_GATE, HARBOUR_END, Rig, payload

from bench.base.columns import Doing, Drop
from bench.judge.judge import Judge
from bench.judge.verdict import Outcome
from bench.link.observes import EVERYTHING, Observes

NODES = range(4)

SYNC_NS = 8 * CHARACTER_NS
"""An empty packet of this format: marker 2, address, length 2, sequence, check 2."""


def rig(*overrides: str) -> Rig:
    """Nodes of the causeway that show on a sync after every frame."""
    return Rig(
        "processor.show=sync",
        "traffic.broadcast_every=1",
        "accept.latency=30 ms",
        *overrides,
    )


def frame(world: Rig, number: int, wait_ns: int = 5_000_000) -> list[bytes]:
    """Send a packet to each node; what they carry."""
    data = [payload(4 * number + node) for node in NODES]
    for node in NODES:
        world.send(node, data[node], number)
        world.wait(wait_ns)
    return data


def causes(figures: dict[str, Any]) -> list[tuple[str, str, int]]:
    """What, why and how often."""
    return [(c["what"], c["cause"], c["count"]) for c in figures["causes"]]


def test_all_shown_together() -> None:
    """Latency includes the wait for the sync, skew does not, and it is said so."""
    world = rig()
    for number in range(3):
        data = frame(world, number)
        world.sync(number)
        for node in NODES:
            world.show(node, data[node], after_ns=10_000 + 100 * node)
        world.wait(5_000_000)
    verdict = world.verdict()
    figures = verdict.figures
    assert verdict.outcome is Outcome.PASS
    assert (figures["packets"]["offered"], figures["packets"]["shown"]) == (12, 12)
    assert figures["shown_on"] == "sync"
    assert figures["skew_ns"] == dict.fromkeys(("p50", "p99", "p99.9", "max"), 300) | {
        "n": 3
    }
    # By hand: three packets of 24 characters and four waits of 5 ms, the sync, 10 us to
    # the first clock, 100 us of burst, 500 us of gap.
    after_ns = 10_000 + 100_000 + 500_000
    waited_ns = 3 * 24 * CHARACTER_NS + 4 * 5_000_000 + SYNC_NS
    assert figures["latency_ns"]["shown"]["max"] == waited_ns + after_ns
    assert figures["latency_ns"]["after_sync"]["max"] == after_ns + 300
    assert (figures["held"], figures["later_sync"]) == (0, 0)


def test_late_counts_the_wait() -> None:
    """The limit on latency is from the packet's last bit, as ever."""
    world = rig("accept.latency=20 ms")
    data = frame(world, 0)
    world.sync()
    for node in NODES:
        world.show(node, data[node])
    assert world.verdict().figures["packets"]["late"] == 1


def test_shown_without_a_sync() -> None:
    """What a node shows before its sync is a stray, and the packet is yet to come."""
    world = rig()
    world.send(EBB, payload(1), 0)
    world.show(EBB, payload(1))
    world.wait()
    world.sync()
    world.show(EBB, payload(1))
    verdict = world.verdict()
    packets = verdict.figures["packets"]
    assert (packets["offered"], packets["shown"], packets["stray"]) == (1, 1, 1)
    assert causes(verdict.figures) == [
        ("stray", "holds a packet that no sync had released", 1)
    ]


@pytest.mark.parametrize(
    ("reason", "text"),
    [
        (
            Drop.NOT_SYNCED,
            "held, and no sync came before the next packet took its place",
        ),
        (
            Drop.SYNC_EARLY,
            "sync came before it was rearranged, and the next packet took its place",
        ),
    ],
)
def test_the_nodes_reason(reason: Drop, text: str) -> None:
    """A packet that another one took the place of: why, in the node's words."""
    world = rig()
    first = world.send(EBB, payload(1), 0)
    world.sync(0)
    world.wait()
    world.send(EBB, payload(2), 1)
    world.drop(EBB, first, reason)
    world.sync(1)
    world.show(EBB, payload(2))
    figures = world.verdict().figures
    assert (figures["packets"]["shown"], figures["packets"]["lost"]) == (1, 1)
    assert causes(figures) == [("lost", text, 1)]
    assert figures["causes"][0]["first"]["packet"] == first


def missed(world: Rig, *, dropped: bool = True) -> Rig:
    """A node misses the first of two syncs."""
    first = world.send(EBB, payload(1), 0)
    sync = world.sync(0)
    world.lose(EBB, sync, 3, Doing.RECEIVE_BODY)
    world.wait()
    world.send(EBB, payload(2), 1)
    if dropped:
        world.drop(EBB, first, Drop.NOT_SYNCED)
    world.sync(1)
    world.show(EBB, payload(2))
    return world


@pytest.mark.parametrize("dropped", [True, False])
def test_a_sync_that_was_missed(dropped: bool) -> None:
    """What became of the sync explains the packet, also if the node says no more."""
    figures = missed(rig(), dropped=dropped).verdict().figures
    assert causes(figures) == [
        ("lost", "sync missed: receiver overrun while in the receive handler", 1)
    ]


def test_a_sync_after_the_next_packet_explains_nothing() -> None:
    """Only the sync before the next packet could have shown one."""
    world = rig()
    first = world.send(EBB, payload(1), 0)
    world.send(EBB, payload(2), 1)
    world.drop(EBB, first, Drop.NOT_SYNCED)
    sync = world.sync(1)
    world.lose(EBB, sync, 3, Doing.RECEIVE_BODY)
    world.wait()
    world.show(EBB, payload(2))
    [(_, cause, _)] = causes(world.verdict().figures)
    assert cause == "held, and no sync came before the next packet took its place"


def test_packets_after_the_last_sync() -> None:
    """They were never to be shown: neither lost nor offered, and it is said."""
    world = rig()
    data = frame(world, 0)
    world.sync()
    for node in NODES:
        world.show(node, data[node])
    world.wait()
    world.send(EBB, payload(99), 1)
    world.send(HARBOUR_END, payload(98), 1)
    verdict = world.verdict()
    packets = verdict.figures["packets"]
    assert (packets["offered"], packets["shown"], packets["lost"]) == (4, 4, 0)
    assert verdict.figures["held"] == 2
    assert verdict.outcome is Outcome.PASS
    [note] = verdict.as_dict()["notes"]
    assert note.startswith("2 packets held at the end")


def finished_late(world: Rig, observes: Observes = EVERYTHING) -> Judge:
    """A judge that looked on for seconds after the last packet."""
    judge = Judge(world.profile, observes)
    chunks = list(world.chunks())
    for chunk in chunks:
        judge.take(*chunk)
    line, sent, seen = list(world.chunks([world.end_ns]))[-1]
    silent_ns = world.end_ns + 5_000_000_000
    none = seen.shown[:0], seen.data[:0], seen.dropped[:0], seen.lost[:0]
    judge.take(
        type(line)(line.octets[:0], line.runs[:0], line.flaws, line.first, silent_ns),
        type(sent)(sent.rows[:0], sent.payload[:0]),
        type(seen)(*none, silent_ns),
    )
    judge.finish(silent_ns)
    return judge


def test_held_after_an_early_sync() -> None:
    """The last packet, if nothing happened to it, waits for another sync: not lost."""
    world = rig()
    world.send(EBB, payload(1), 0)
    world.sync()
    for judge in (world.judge(), finished_late(world)):
        verdict = judge.result()
        packets = verdict.figures["packets"]
        assert (packets["offered"], packets["lost"]) == (0, 0)
        assert verdict.figures["held"] == 1
    # A link without confessions cannot know.
    for judge in (
        world.judge(Observes(lost=False)),
        finished_late(world, Observes(lost=False)),
    ):
        packets = judge.result().figures["packets"]
        assert (packets["offered"], packets["lost"]) == (1, 1)


def test_the_last_packet_can_be_lost() -> None:
    """One whose loss, or whose sync's, is explained was offered and lost."""
    world = rig()
    world.lose(EBB, world.send(EBB, payload(1), 0), 9, Doing.COMPLETE)
    world.send(FLOOD_GATE, payload(2), 0)
    world.drop(FLOOD_GATE, world.sync(), Drop.BAD_CHECK)
    figures = world.verdict().figures
    assert (figures["packets"]["offered"], figures["packets"]["lost"]) == (2, 2)
    assert sorted(causes(figures)) == [
        ("lost", "receiver overrun while in the transfer-complete handler", 1),
        ("lost", "sync missed: failed check", 1),
    ]


def test_shown_on_a_later_sync() -> None:
    """A packet that waited for the sync after next is shown, and counted as such."""
    world = rig()
    world.send(EBB, payload(1), 0)
    world.sync(0)
    world.wait(20_000_000)
    world.sync(1)
    world.show(EBB, payload(1))
    verdict = world.verdict()
    assert verdict.figures["packets"]["shown"] == 1
    assert verdict.figures["later_sync"] == 1
    [note] = verdict.as_dict()["notes"]
    assert note.startswith("1 of 1 packet shown on a later sync than the one that foll")


def test_a_line_without_syncs_is_bounded() -> None:
    """So many packets later one is lost, and the judge does not keep them all."""
    world = rig()
    for k in range(200):
        world.send(EBB, payload(k), k)
        world.wait(1_000_000)
    judge = world.judge()
    packets = judge.result().figures["packets"]
    assert (packets["offered"], packets["lost"]) == (136, 136)
    assert judge.result().figures["held"] == 64
    assert judge._matcher._slots.shape[1] <= 256


def test_some_show_as_it_comes() -> None:
    """Each node is judged by its own way of showing."""
    world = rig("node.1.processor.show=packet")
    world.send(EBB, payload(1), 0)
    world.show(EBB, payload(1))
    world.wait()
    world.send(FLOOD_GATE, payload(2), 0)
    world.wait()
    world.sync()
    world.show(FLOOD_GATE, payload(2))
    figures = world.verdict().figures
    assert figures["packets"]["shown"] == 2
    assert figures["shown_on"] == "packet or sync"
    assert figures["latency_ns"]["shown"]["n"] == 2
    assert figures["latency_ns"]["after_sync"]["n"] == 1


def test_nothing_is_said_of_syncs_where_there_are_none() -> None:
    """Nodes that show each packet as it comes have no figures of syncs."""
    world = Rig()
    world.send(EBB, payload(1), 0)
    world.show(EBB, payload(1))
    figures = world.verdict().figures
    assert figures["shown_on"] == "packet"
    assert not {"held", "later_sync"} & set(figures)
    assert "after_sync" not in figures["latency_ns"]
