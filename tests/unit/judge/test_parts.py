"""Bursts whose chains latched in a pause inside them: two rows, one packet."""

from __future__ import annotations

from typing import Any

from unit.judge.rig import BURST_NS, CLOCKS, EBB, Rig, payload

PAUSE_NS = 20_001
"""The chains bear pauses of 20 us."""

HALF = "shown half: pause of more than 20 us inside the burst"


def rig() -> Rig:
    """One interrupt a bit, on chains that latch in a pause."""
    return Rig(
        "output.method=timer",
        "output.clock=100 kHz",
        "output.transfer_jitter=0 ns",
        "accept.latency=200 ms",
    )


def in_parts(world: Rig, data: bytes, clocks: int, after_ns: int = 10_000) -> None:
    """A node bursts, pauses after some clocks, and goes on."""
    begun_ns = world.now_ns + after_ns
    half = bytes(octet ^ 0xA5 for octet in data)
    world.show(EBB, half, after_ns, clocks)
    # By the pause, not by the gap, which had not passed.
    times, rest = world.bursts[-1]
    world.bursts[-1] = (*times[:3], times[2] + PAUSE_NS, *times[4:]), rest
    world.show(
        EBB,
        data,
        after_ns + BURST_NS + 2 * PAUSE_NS,
        CLOCKS - clocks,
        burst_ns=begun_ns,
    )


def causes(figures: dict[str, Any]) -> list[tuple[str, str, int]]:
    """What, why and how often."""
    return [(c["what"], c["cause"], c["count"]) for c in figures["causes"]]


def test_corrupt_once() -> None:
    """The packet is corrupt once; both parts have wrong clocks; the pause is no gap."""
    world = rig()
    for k in range(3):
        world.send(EBB, payload(k), k)
        if k == 1:
            in_parts(world, payload(k), 1000)
        else:
            world.show(EBB, payload(k))
        world.wait()
    judge = world.judge()
    figures = judge.result().figures
    packets = figures["packets"]
    assert (packets["offered"], packets["shown"], packets["corrupt"]) == (3, 2, 1)
    assert (packets["lost"], packets["repeated"], packets["stray"]) == (0, 0, 0)
    bursts = figures["bursts"]
    assert (bursts["count"], bursts["wrong_clocks"], bursts["short_gaps"]) == (4, 2, 0)
    few = "10 or more clocks too few: "
    assert causes(figures) == [
        ("corrupt", HALF, 1),
        ("wrong_clocks", few + "a pause inside the burst, or cut off", 1),
        (
            "wrong_clocks",
            few + "the rest of a burst that latched in a pause inside it",
            1,
        ),
    ]
    [corrupt] = [one for one in judge.anomalies() if one["kind"] == "corrupt"]
    assert corrupt["packet"] == 1
    assert corrupt["cause"] == HALF


def test_over_the_cut_between_chunks() -> None:
    """The rest is one in a later chunk as well."""
    world = rig()
    world.send(EBB, payload(0), 0)
    in_parts(world, payload(0), 1000)
    first, second = (row[0][2] for row in world.bursts)
    cut_ns = second + 450_000
    assert first + 500_000 < cut_ns < second + 500_000
    for cuts in ((), (cut_ns,)):
        packets = world.judge(cuts=cuts).result().figures["packets"]
        assert (packets["corrupt"], packets["repeated"], packets["lost"]) == (1, 0, 0)


def test_the_rest_says_which_packet_it_was() -> None:
    """After a packet that was lost, it is the one whose data came at last."""
    world = rig()
    for k in range(2):
        world.send(EBB, payload(k), k)
        world.wait()
    in_parts(world, payload(1), 1000)
    figures = world.verdict().figures
    packets = figures["packets"]
    assert (packets["lost"], packets["corrupt"]) == (1, 1)
    [lost] = [c for c in figures["causes"] if c["what"] == "lost"]
    assert lost["first"]["packet"] == 0
    assert figures["dropped_frames"] == 2


def test_many_parts() -> None:
    """However often it paused, it is one burst."""
    world = rig()
    world.send(EBB, payload(0), 0)
    begun_ns = world.now_ns + 10_000
    for part in range(5):
        after_ns = 10_000 + part * (BURST_NS + 2 * PAUSE_NS)
        data = payload(0) if part == 4 else payload(100 + part)
        world.show(EBB, data, after_ns, CLOCKS // 5, burst_ns=begun_ns)
    world.wait()
    figures = world.verdict().figures
    packets = figures["packets"]
    assert (packets["corrupt"], packets["stray"], packets["repeated"]) == (1, 0, 0)
    assert figures["bursts"]["wrong_clocks"] == 5
