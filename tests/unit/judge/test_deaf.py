"""What gives first, where most of what is lost comes down to one thing."""

from __future__ import annotations

from unit.judge.rig import Rig, payload

from bench.base.columns import Doing, Drop

STEPS, CRANE_BERTH = 0, 1

BITS = 480  # 48 octets of ten bits

DEAF = "290 us, 29 characters, and the FIFO holds 1"
"""By hand: 2 us + 480 octets x 0.6 us; a character at 1 Mbaud takes 10 us."""


def rig(profile: str = "jetty", *overrides: str) -> Rig:
    """A small world on the jetty."""
    return Rig(*overrides, profile=profile)


def lose(world: Rig, node: int, count: int, doing: Doing) -> None:
    """A node loses a character of each of so many packets."""
    for k in range(count):
        world.lose(node, world.send(node, payload(k), k), 9, doing)
        world.wait()


def test_the_deaf_time_is_named() -> None:
    """A polled loop that loses packets while it rearranges: how long it is deaf."""
    world = rig()
    lose(world, STEPS, 3, Doing.REARRANGING)
    lose(world, CRANE_BERTH, 1, Doing.POLLING)
    verdict = world.verdict()
    assert verdict.reason == (
        "4 of 4 packets were not shown: mostly receiver overrun while a polled loop "
        f"rearranged: deaf for at least {DEAF}"
    )
    assert verdict.figures["gives_first"] == (
        "the deaf time while rearranging, 2 us + 480 × 600 ns a packet and more where "
        f"interrupts stretch it: {DEAF}"
    )


def test_what_follows_from_it_counts() -> None:
    """Packets swallowed after an overrun, and missed syncs, come down to it as well."""
    world = rig("jetty", "processor.show=sync", "traffic.broadcast_every=1")
    for k in range(3):
        held = world.send(STEPS, payload(k), k)
        world.lose(STEPS, world.sync(k), 2, Doing.REARRANGING)
        world.wait(40_000_000)
        world.drop(STEPS, held, Drop.NOT_SYNCED)
    world.send(STEPS, payload(9), 9)
    world.sync(9)
    world.show(STEPS, payload(9), clocks=BITS)
    verdict = world.verdict()
    assert verdict.reason == (
        "3 of 4 packets were not shown at steps: sync missed: receiver overrun while a "
        f"polled loop rearranged: deaf for at least {DEAF}"
    )
    assert verdict.figures["gives_first"].startswith("the deaf time while rearranging")


def test_other_losses_outweigh_it() -> None:
    """Nothing is named where as much is lost to something else, or nothing is lost."""
    world = rig()
    lose(world, STEPS, 1, Doing.REARRANGING)
    lose(world, CRANE_BERTH, 1, Doing.REARRANGING)
    lose(world, STEPS, 2, Doing.BIT)
    assert "gives_first" not in world.verdict().figures
    world = rig()
    world.send(STEPS, payload(0), 0)
    world.show(STEPS, payload(0), clocks=BITS)
    assert "gives_first" not in world.verdict().figures


def test_packets_that_turn_up_are_taken_off() -> None:
    """A packet that is shown after all was not lost to anything."""
    world = rig()
    lose(world, STEPS, 1, Doing.REARRANGING)
    world.send(STEPS, payload(7), 7)
    for k in (7, 0):
        world.wait()
        world.show(STEPS, payload(k), clocks=BITS)
    figures = world.verdict().figures
    assert (figures["packets"]["lost"], figures["packets"]["out_of_order"]) == (0, 1)
    assert "gives_first" not in figures
