"""The node's kernel and its plain twin agree, event for event, on many worlds."""

from __future__ import annotations

import itertools
import os
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from twins.node_twin import NodeTwin
from twins.node_whole_worlds import make_whole_world
from twins.node_worlds import World, make_world

from bench.base.seeds import stream_key
from bench.node import simulated
from bench.node.simulated import Played, SimulatedNode

if TYPE_CHECKING:
    from twins.node_twin_rows import Result

SEED = 5
SHORT, LONG = range(400), range(1000, 1120)
WHOLE, WHOLE_LONG = range(600), range(1000, 1080)


def jitter_of(world: World):
    """The delay of a burst's stop: one Philox word, from numpy's own generator."""
    key = stream_key(SEED, "stop")
    most = world.spec.output.stop_jitter_ns

    def jitter(burst: int) -> int:
        if not most:
            return 0
        counter = ((burst << 64) + world.spec.index - 1) % 2**256
        philox = np.random.Philox(key=key[0] | key[1] << 64, counter=counter)
        return int(philox.random_raw(1)[0]) * (most + 1) >> 64

    return jitter


def transfer_of(world: World):
    """The delay of a port word, from numpy's own generator."""
    key = stream_key(SEED, f"transfer {world.spec.index}")
    most = world.spec.output.transfer_jitter_ns

    def transfer(burst: int, word: int) -> int:
        if not most:
            return 0
        counter = ((burst << 64) + word // 4 - 1) % 2**256
        philox = np.random.Philox(key=key[0] | key[1] << 64, counter=counter)
        return int(philox.random_raw(4)[word % 4]) * (most + 1) >> 64

    return transfer


def twin_result(world: World) -> Result:
    """What the twin says of a world."""
    delays = jitter_of(world), transfer_of(world)
    line, until_ns = world.characters(), world.end_ns
    return NodeTwin(world.spec, line, until_ns, *delays, world.resets).run()


def twin_rows(world: World) -> dict:
    """The same, to be compared."""
    result = twin_result(world)
    return {
        "shown": result.shown,
        "data": result.data,
        "dropped": result.dropped,
        "lost": result.lost,
        "interrupts": result.interrupts,
        "edges": result.edges,
        "busy": (
            result.receive_ns,
            result.complete_ns,
            result.bit_ns,
            result.foreground_ns,
        ),
    }


def _columns(rows: np.ndarray, *names: str) -> list[tuple[int, ...]]:
    return [tuple(int(row[name]) for name in names) for row in rows]


def kernel_rows(
    world: World, cuts=(), *, trace=False, shortcuts=True, early=False
) -> dict:
    """What the kernel says of a world that comes in chunks."""
    node = SimulatedNode(world.spec, seed=SEED, trace=trace, shortcuts=shortcuts)
    names = ("shown", "data", "dropped", "lost", "interrupts", "edges")
    rows = {name: [] for name in names}
    draw = random.Random(world.seed) if early else None
    for step in world.steps(list(cuts), draw):
        _add(rows, node.reset(step) if isinstance(step, int) else node.play(step))
    busy = (
        node.receive_busy_ns,
        node.complete_busy_ns,
        node.bit_busy_ns,
        node.foreground_busy_ns,
    )
    return rows | {"busy": busy}


def _add(rows: dict, played: Played) -> None:
    rows["shown"] += _columns(
        played.shown,
        "burst_ns",
        "first_bit_ns",
        "end_ns",
        "shown_ns",
        "clocks",
        "marginal",
        "lane_skew_ns",
    )
    rows["data"] += [
        played.data[row["data_at"] : row["data_at"] + row["data_octets"]].tobytes()
        for row in played.shown
    ]
    rows["dropped"] += _columns(played.dropped, "ns", "first", "end", "reason")
    rows["lost"] += _columns(played.lost, "at", "ns", "doing")
    rows["interrupts"] += _columns(played.interrupts, "kind", "start_ns", "end_ns")
    rows["edges"] += _columns(played.edges, "ns", "burst", "kind", "lane")


def cuts_of(world: World, many: int) -> list[int]:
    """Some places to cut a world's line, drawn from its seed."""
    draw = np.random.default_rng(world.seed)
    return [int(k) for k in draw.integers(0, len(world.octets) + 1, many)]


def compare(world: World) -> dict:
    """Hold the kernel against the twin in every way; what the twin said."""
    told = twin_rows(world)
    plain = kernel_rows(world, trace=True, shortcuts=False)
    assert plain == told, f"plain kernel, world {world.seed}"
    untraced = told | {"interrupts": [], "edges": []}
    assert kernel_rows(world) == untraced, f"shortcuts, world {world.seed}"
    for shortcuts in (True, False):
        cut = kernel_rows(world, cuts_of(world, 5), shortcuts=shortcuts)
        assert cut == untraced, f"chunks, world {world.seed}, shortcuts {shortcuts}"
    cut = kernel_rows(world, cuts_of(world, 5), early=True)
    assert cut == untraced, f"chunks that end inside characters, world {world.seed}"
    return told


ONCE_WRONG = {
    82206: "a literal in a foreign packet's tail is looked at, too",
    19502: "the character just before the next one was lost, what is in the FIFO not",
}
"""Worlds that once showed a difference."""


@pytest.mark.parametrize("seed", ONCE_WRONG)
def test_what_was_once_wrong(seed):
    """It stays right."""
    compare(make_world(seed))


WHOLE_ONCE_WRONG = {
    27: "bits that come first, and the shortcut for receive interrupts",
    46: "a muted receiver, and the shortcut for a polled loop",
    49: "marked packets without a head",
    129: "words that a stopped timer asks for no more",
    48: "characters that came while bits were moved at once",
    1077: "an interrupt before what a burst's beginning lets the foreground pick",
    1281: "the last lane ends before its handler",
    1739: "a character that completes while a burst runs, met by a shortcut after it",
    2510: "a handler that drains a ring no faster than it fills",
    6989: "words of a burst that a reset cut off, and stolen cycles",
    3457: "a masked job that stolen cycles stretch",
    9833: "a reset just as the next burst's first bit would come",
    54050: "a packet that is too short, met by a shortcut beside a timer's bits",
    55083: "the same in a polled loop",
}
"""The same among the whole worlds; those from 50,000 on are long ones."""


@pytest.mark.parametrize("seed", WHOLE_ONCE_WRONG)
def test_what_was_once_wrong_with_the_whole_node(seed):
    """It stays right."""
    compare(make_whole_world(seed, long=seed >= 50_000))


@pytest.mark.parametrize("part", range(4))
def test_kernel_and_twin_agree(part):
    """Rows, data, interrupts and busy times are equal: whole, cut, with and without."""
    for seed in [*SHORT, *LONG][part::4]:
        compare(make_world(seed, long=seed in LONG))


@pytest.mark.parametrize("part", range(4))
def test_whole_node_and_twin_agree(part):
    """The same for every way in and out, and with resets."""
    for seed in [*WHOLE, *WHOLE_LONG][part::4]:
        compare(make_whole_world(seed, long=seed in WHOLE_LONG))


def test_worlds_hold_what_they_are_for():
    """The worlds above show every reason, every doing, and bursts of every kind."""
    seen: Counter = Counter()
    for seed in [*SHORT, *LONG]:
        told = twin_rows(make_world(seed, long=seed in LONG))
        seen.update(f"drop {row[3]}" for row in told["dropped"])
        seen.update(f"doing {row[2]}" for row in told["lost"])
        for _, _, _, shown_ns, clocks, marginal, _ in told["shown"]:
            seen["shown" if shown_ns >= 0 else "shifted through"] += 1
            seen["extra clock"] += clocks % 8 > 0
            seen["marginal"] += marginal
        seen.update(f"interrupt {row[0]}" for row in told["interrupts"])
    rare = {"drop 12", "drop 9", "doing 4"}
    wanted = {f"drop {k}" for k in (1, 2, 3, 4, 5, 6, 7, 8, 11)}
    wanted |= {f"doing {k}" for k in range(4)} | {"shown", "shifted through"}
    wanted |= {"extra clock", "marginal", "interrupt 1", "interrupt 2"}
    assert {what for what in wanted if seen[what] < 5} == set()
    assert {what for what in rare if seen[what] < 1} == set()


EVENTS = {
    "previous bit": "a rise took a word before its own, or the level",
    "skipped": "a rollover that asked for nothing",
    "leading": "a clock before the first word",
    "stolen": "a word that put a job's end off",
    "lost tick": "a tick while one was pending",
    "latched amid": "chains that latched within a burst",
    "misread": "a UART lane whose far end read something else",
    "muted": "a character that the receiver dropped by itself",
    "lap": "a lap of the ring",
    "lapped": "a lap that lost it all",
    "arbitrated": "a character that the ring had to wait for",
    "released": "a held packet that a sync released",
    "dark": "a dark burst",
    "reset": "a reset",
    "cut": "a burst that a reset cut",
}
"""What the twin notes while it plays a world."""


def test_whole_worlds_hold_what_they_are_for():
    """Every way in and out, every new doing and reason, and every note of the twin."""
    seen: Counter = Counter()
    for seed in [*WHOLE, *WHOLE_LONG]:
        world = make_whole_world(seed, long=seed in WHOLE_LONG)
        result = twin_result(world)
        receive, output = world.spec.receive.method, world.spec.output
        for way in (receive, f"{output.method} {output.signal}"):
            seen[f"{way} shows"] += len(result.shown) > 0
        seen.update(result.notes)
        seen.update(f"drop {row[3]}" for row in result.dropped)
        seen.update(f"doing {row[2]}" for row in result.lost)
        seen.update(f"interrupt {row[0]}" for row in result.interrupts)
        seen["skew"] += sum(row[6] > 0 for row in result.shown)
        seen["never shown"] += sum(row[3] < 0 for row in result.shown)
    ways = ("interrupt", "poll", "dma", "dma clocked", "timer clocked", "port clocked")
    uarts = ("dma uart", "timer uart", "uart uart")
    wanted = {f"{way} shows" for way in (*ways, *uarts)}
    wanted |= {f"drop {k}" for k in (*range(1, 10), 11, 13, 15)}
    wanted |= {f"doing {k}" for k in (0, 1, 2, 3, 4, 6, 7, 8, 9, 10)}
    wanted |= {f"interrupt {k}" for k in (1, 2, 3)} | {"skew", "never shown"}
    wanted |= set(EVENTS)
    assert {what for what in wanted if seen[what] < 5} == set()
    assert seen["drop 14"] > 0


def test_every_cut():
    """A line cut before every single character gives what the whole line gives."""
    for seed in (11, 23, 41, 58, 1003):
        world = make_world(seed, long=seed in LONG)
        whole = kernel_rows(world)
        cuts = list(range(len(world.octets) + 1))
        for shortcuts in (True, False):
            assert kernel_rows(world, cuts, shortcuts=shortcuts) == whole


@pytest.mark.parametrize("seed", [*range(0, 48, 2), 1003, 1005])
def test_every_cut_of_a_whole_world(seed):
    """The same for every way in and out."""
    world = make_whole_world(seed, long=seed in WHOLE_LONG)
    whole = kernel_rows(world)
    cuts = list(range(len(world.octets) + 1))
    for shortcuts in (True, False):
        assert kernel_rows(world, cuts, shortcuts=shortcuts) == whole
    assert kernel_rows(world, cuts, early=True) == whole


def test_resets_that_forestall_a_first_bit():
    """A reset after a burst began, its first bit not there yet: the one before latches.

    The instants are aimed, since few worlds hit them by chance.
    """
    aimed: Counter = Counter()
    for seed in range(2_000, 3_000):
        world = make_whole_world(seed)
        world.resets = []
        shown = twin_rows(world)["shown"]
        for before, row in itertools.pairwise(shown):
            begin_ns, first_ns = row[0], row[1]
            if before[3] >= 0 or row[0] == before[0] or begin_ns == first_ns:
                continue
            for ns in (begin_ns + 1, first_ns, first_ns + 1):
                world.resets = [ns]
                compare(world)
                aimed[world.spec.output.method] += 1
            break
    assert min(aimed[method] for method in ("dma", "timer", "port")) >= 6


def test_little_room(monkeypatch):
    """With room for few rows and octets, calls are more and the rows the same."""
    worlds = [make_world(seed, long=seed in LONG) for seed in [*range(60), 1001, 1002]]
    worlds += [make_whole_world(seed) for seed in range(80)]
    roomy = [kernel_rows(world) for world in worlds]
    for name, few in (
        ("_LOST_ROWS", 2),
        ("_DROPPED_ROWS", 1),
        ("_DATA_OCTETS", 1),
        ("_SURVIVORS", 8),
    ):
        monkeypatch.setattr(simulated, name, few)
    assert [kernel_rows(world) for world in worlds] == roomy
    plain = [kernel_rows(world, shortcuts=False) for world in worlds]
    assert plain == roomy


def test_runs_repeat():
    """The same world twice is the same, and another seed moves only jittered stops."""
    world = make_world(1004, long=True)
    assert kernel_rows(world) == kernel_rows(world)


def test_indexes_are_checked():
    """Forty worlds, cut and whole, with every index of the kernel checked."""
    code = (
        "from twins.test_node import compare\n"
        "from twins.node_worlds import make_world\n"
        "from twins.node_whole_worlds import make_whole_world\n"
        "from bench.kernels.pointers import _CHECKED\n"
        "assert _CHECKED\n"
        "for seed in range(40): compare(make_world(seed))\n"
        "for seed in range(1000, 1010): compare(make_world(seed, long=True))\n"
        "for seed in range(60): compare(make_whole_world(seed))\n"
        "for seed in range(1000, 1010): compare(make_whole_world(seed, long=True))\n"
    )
    tests = Path(__file__).parent.parent
    path = os.pathsep.join([str(tests), str(tests.parent)])
    env = os.environ | {"NUMBA_BOUNDSCHECK": "1", "PYTHONPATH": path}
    done = subprocess.run(
        [sys.executable, "-c", code], env=env, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr[-2000:]


@pytest.mark.night
def test_many_more_worlds():
    """The same on twenty thousand short worlds and two thousand long ones."""
    for seed in range(10_000, 30_000):
        compare(make_world(seed))
    for seed in range(50_000, 52_000):
        compare(make_world(seed, long=True))


@pytest.mark.night
def test_many_more_whole_worlds():
    """The same on twenty thousand whole worlds, every tenth of them a long one."""
    for seed in range(10_000, 30_000):
        compare(make_whole_world(seed, long=seed % 10 == 0))
