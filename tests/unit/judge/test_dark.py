"""Nodes that darken when nothing comes for them."""

from __future__ import annotations

import pytest
from unit.judge.rig import CLOCKS, EBB, FLOOD_GATE, FOREIGN, Rig, payload

from bench.base.columns import Doing
from bench.judge.verdict import Outcome
from bench.link.observes import Observes

AFTER_NS = 100_000_000

DARK = bytes(3840)
"""Eight lanes of twenty devices of 192 bits, none of them lit."""


def rig(*overrides: str) -> Rig:
    """Nodes of the causeway that darken after a tenth of a second."""
    ways = ("processor.on_silence=blackout", "processor.blackout_after=100 ms")
    return Rig(*ways, *overrides)


def sent(world: Rig, k: int = 1) -> None:
    """A packet that is shown."""
    world.send(EBB, payload(k), k)
    world.show(EBB, payload(k))


def test_darkness_is_no_stray() -> None:
    """Counted apart: neither offered nor shown, and no fault."""
    world = rig()
    sent(world)
    world.show(EBB, DARK, after_ns=AFTER_NS)
    verdict = world.verdict()
    figures = verdict.figures
    assert verdict.outcome is Outcome.PASS
    packets = figures["packets"]
    assert (packets["offered"], packets["shown"], packets["stray"]) == (1, 1, 0)
    assert figures["blackouts"] == 1
    assert [node["blackouts"] for node in figures["nodes"]] == [0, 1, 0, 0]
    assert figures["bursts"]["count"] == 2
    assert verdict.as_dict()["blackouts"] == 1


@pytest.mark.parametrize(
    ("early_ns", "stray"),
    # A packet is complete up to a character of 2.5 us before its last bit is over.
    [(0, 0), (2_500, 0), (2_501, 1), (50_000_000, 1)],
)
def test_too_early(early_ns: int, stray: int) -> None:
    """Before its time it is a stray."""
    world = rig()
    sent(world)
    world.show(EBB, DARK, after_ns=AFTER_NS - early_ns)
    figures = world.verdict().figures
    assert (figures["packets"]["stray"], figures["blackouts"]) == (stray, 1 - stray)


def test_other_data_are_a_stray() -> None:
    """Whatever makes light, or has another size, is not darkness."""
    for data in (DARK[1:], bytes([1]) + DARK[1:]):
        world = rig()
        sent(world)
        world.show(EBB, data, after_ns=AFTER_NS)
        figures = world.verdict().figures
        assert (figures["packets"]["stray"], figures["blackouts"]) == (1, 0)


def test_dark_by_the_channel_map() -> None:
    """Inverted channels are dark where their bits are set."""
    world = rig("output.channel.inverted=true")
    sent(world)
    world.show(EBB, DARK, after_ns=AFTER_NS)
    world.show(EBB, b"\xff" * 3840, after_ns=2 * AFTER_NS)
    figures = world.verdict().figures
    assert (figures["packets"]["stray"], figures["blackouts"]) == (1, 1)


def test_before_the_first_packet() -> None:
    """At first the silence is from the beginning."""
    world = rig()
    world.send(FOREIGN, payload(9))
    world.wait(AFTER_NS)
    world.show(EBB, DARK, after_ns=0)
    assert world.verdict().figures["blackouts"] == 1
    world = rig()
    world.show(EBB, DARK, after_ns=AFTER_NS // 2)
    assert world.verdict().figures["blackouts"] == 0


def test_a_node_that_hears_nothing_may_darken() -> None:
    """Packets that it lost end no silence: they are lost, with their cause."""
    world = rig()
    sent(world)
    for k in range(2, 6):
        world.wait(50_000_000)
        packet = world.send(EBB, payload(k), k)
        world.lose(EBB, packet, 9, Doing.WAITING)
    world.show(EBB, DARK)
    figures = world.verdict().figures
    packets = figures["packets"]
    assert (packets["lost"], packets["stray"], packets["corrupt"]) == (4, 0, 0)
    assert figures["blackouts"] == 1
    [cause] = figures["causes"]
    assert cause["cause"].endswith("while the receive interrupt waited to be served")


def test_a_dark_packet_is_a_packet() -> None:
    """One that carries darkness is shown; darkness after it is no repetition."""
    world = rig()
    world.send(EBB, DARK, 0)
    world.show(EBB, DARK)
    world.show(EBB, DARK, after_ns=AFTER_NS)
    figures = world.verdict().figures
    packets = figures["packets"]
    assert (packets["shown"], packets["repeated"]) == (1, 0)
    assert figures["blackouts"] == 1


def test_darkness_is_no_sign_of_life() -> None:
    """A node that only darkens while packets come for it is wedged all the same."""
    world = rig()
    for k in range(10):
        sent(world, k)
        world.wait()
    for k in range(10, 40):
        world.send(EBB, payload(k), k)
        world.wait(20_000_000)
    world.show(EBB, DARK)
    verdict = world.verdict()
    assert verdict.figures["blackouts"] == 1
    assert verdict.figures["nodes"][EBB]["silent_packets"] == 30


def test_extra_clock_in_the_dark() -> None:
    """Clocks of a dark burst are counted like those of any other."""
    world = rig()
    sent(world)
    world.show(EBB, DARK, after_ns=AFTER_NS, clocks=CLOCKS + 1)
    figures = world.verdict().figures
    assert (figures["bursts"]["wrong_clocks"], figures["blackouts"]) == (1, 1)
    [cause] = figures["causes"]
    assert cause["cause"] == "1 clock too many, data intact"


def test_links_that_see_less() -> None:
    """Without data: a burst for which nothing waits; without times: whenever it is."""
    world = rig()
    sent(world)
    world.show(EBB, DARK, after_ns=AFTER_NS)
    assert world.verdict(Observes(data=False)).figures["blackouts"] == 1
    world = rig()
    sent(world)
    world.show(EBB, DARK, after_ns=AFTER_NS // 2)
    assert world.verdict(Observes(data=False)).figures["blackouts"] == 0
    assert world.verdict(Observes(times=False)).figures["blackouts"] == 1
    assert world.verdict(Observes(shown=False)).figures["blackouts"] is None


def test_nodes_that_hold_have_no_darkness() -> None:
    """Where a node is to hold what it shows, darkness is a stray like any other."""
    ways = ("on_silence=blackout", "blackout_after=100 ms")
    world = Rig(*(f"node.{EBB}.processor.{way}" for way in ways))
    world.send(FLOOD_GATE, payload(1), 0)
    world.show(FLOOD_GATE, payload(1))
    world.show(FLOOD_GATE, DARK, after_ns=AFTER_NS)
    figures = world.verdict().figures
    assert (figures["packets"]["stray"], figures["blackouts"]) == (1, 0)
    assert "blackouts" not in figures["nodes"][FLOOD_GATE]
    plain = Rig()
    plain.send(EBB, payload(1), 0)
    plain.show(EBB, payload(1))
    assert "blackouts" not in plain.verdict().figures
