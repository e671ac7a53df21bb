"""One packet for all nodes: each shows its own octets of it."""

from __future__ import annotations

import json

import numpy as np
from unit.judge.rig import EVERY_NODE, Rig

from bench.base.columns import Doing, Drop
from bench.judge.verdict import Outcome
from bench.link.observes import Observes

NODES = ("spray-wall", "refuge-hut", "toll-house")
FIRST_SLOT, SLOTS = (1, 169, 345), 168
"""ANSI E1.11: slots are counted from 1, the start code being none of them."""

CLOCKS = 168  # 7 devices of 24 bits


def packet(k: int) -> bytes:
    """512 slots like no others."""
    return np.random.default_rng(k).integers(0, 256, 512, np.uint8).tobytes()


def own(data: bytes, node: int) -> bytes:
    """The slots of one node."""
    first = FIRST_SLOT[node] - 1
    return data[first : first + SLOTS]


def rig() -> Rig:
    """Nodes of the sea wall."""
    made = Rig("accept.skew=60 ms", profile="dmx512")
    assert [node.address for node in made.profile.node] == list(FIRST_SLOT)
    return made


def show(world: Rig, node: int, data: bytes, **more: int) -> None:
    """A node shows something."""
    world.show(node, data, clocks=CLOCKS, **more)


def test_each_node_shows_its_own_slots() -> None:
    """One packet a frame is offered to every node, and counts once for each."""
    world = rig()
    for frame in range(4):
        world.send(EVERY_NODE, packet(frame), frame)
        for node in range(3):
            show(world, node, own(packet(frame), node), after_ns=10_000 * (node + 1))
        world.wait(10_000_000)
    verdict = world.verdict()
    assert verdict.outcome is Outcome.PASS
    packets = verdict.figures["packets"]
    assert (packets["offered"], packets["shown"]) == (12, 12)
    assert [node["packets"]["offered"] for node in verdict.figures["nodes"]] == [4] * 3
    skew = verdict.figures["skew_ns"]
    assert (skew["n"], skew["max"]) == (4, 20_000)
    assert verdict.figures["latency_ns"]["shown"]["n"] == 12


def test_whole_payload_is_nobodys() -> None:
    """A node that shows the packet from its first slot on has the wrong address."""
    world = rig()
    world.send(EVERY_NODE, packet(1), 0)
    show(world, 0, own(packet(1), 0))
    show(world, 1, own(packet(1), 0))
    show(world, 2, packet(1)[345 : 345 + 167] + b"\0")
    figures = world.verdict().figures
    assert figures["nodes"][0]["packets"]["shown"] == 1
    assert (
        figures["nodes"][1]["packets"] | {"lost": 1, "stray": 1}
        == (figures["nodes"][1]["packets"])
    )
    # One slot too far is like no node's octets: its own, but for many bits.
    assert figures["nodes"][2]["packets"]["corrupt"] == 1
    [stray] = [cause for cause in figures["causes"] if cause["what"] == "stray"]
    assert stray["cause"] == "holds the octets of spray-wall"
    assert figures["dropped_frames"] == 1


def test_anomalies_hold_the_nodes_own_slots() -> None:
    """What was expected of a node is its own share of the packet."""
    world = rig()
    world.send(EVERY_NODE, packet(1), 0)
    for node in (0, 2):
        wrong = bytes([own(packet(1), node)[0] ^ 1]) + own(packet(1), node)[1:]
        show(world, node, wrong)
    judge = world.judge()
    told = judge.anomalies()
    expected = {one["node"]: (one["kind"], one["expected"]) for one in told}
    assert expected == {
        NODES[0]: ("corrupt", own(packet(1), 0).hex()),
        NODES[1]: ("lost", own(packet(1), 1).hex()),
        NODES[2]: ("corrupt", own(packet(1), 2).hex()),
    }
    assert [one["bits"] for one in told if one["kind"] == "corrupt"] == [1, 1]
    json.dumps(judge.result().as_dict(), allow_nan=False)


def test_causes_by_the_span_of_the_packet() -> None:
    """What one node lost or dropped explains its loss, and not that of the others."""
    world = rig()
    sent = world.send(EVERY_NODE, packet(1), 0)
    world.lose(0, sent, 7, Doing.WAITING)
    world.drop(1, sent, Drop.NO_RECEIVE_BUFFER)
    figures = world.verdict().figures
    causes = {cause["first"]["node"]: cause["cause"] for cause in figures["causes"]}
    assert causes == {
        NODES[0]: "receiver overrun while the receive interrupt waited to be served",
        NODES[1]: "no receive buffer free",
        NODES[2]: "cause not known",
    }


def test_packet_that_does_not_reach_a_node() -> None:
    """A node whose slots a short packet leaves off was offered it, and lost it."""
    world = rig()
    world.send(EVERY_NODE, packet(1)[:400], 0)
    for node in (0, 1):
        show(world, node, own(packet(1), node))
    show(world, 2, packet(1)[344:400])
    figures = world.verdict().figures
    nodes = [node["packets"] for node in figures["nodes"]]
    assert [node["offered"] for node in nodes] == [1, 1, 1]
    assert [node["shown"] for node in nodes] == [1, 1, 1]
    world = rig()
    world.send(EVERY_NODE, packet(1)[:300], 0)
    show(world, 2, own(packet(1), 2))
    nodes = [node["packets"] for node in world.verdict().figures["nodes"]]
    assert [(node["offered"], node["shown"]) for node in nodes] == [(1, 0)] * 3


def test_by_order_alone() -> None:
    """Without data a burst is the first packet that waits, as ever."""
    world = rig()
    world.send(EVERY_NODE, packet(1), 0)
    for node in range(3):
        show(world, node, b"")
    packets = world.verdict(Observes(data=False)).figures["packets"]
    assert (packets["offered"], packets["shown"]) == (3, 3)
