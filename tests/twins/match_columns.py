"""Small worlds, drawn at random, and the columns that hold them, cut anywhere."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from twins.match_twin import EVERY_NODE, FOREIGN, Burst, Sent, World

from bench.base import columns

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from random import Random

LATENCY_NS = 5
"""From a burst's first bit to its being known of."""

Chunk = tuple[columns.Line, columns.Sent, columns.Seen]


def draw_world(random: Random) -> World:
    """A world with losses, repeats, swaps, corruptions, strays and look-alikes.

    Some share payloads, some show on syncs, some darken, some burst in parts.
    """
    nodes = random.randint(1, 3)
    shares = None
    if random.random() < 0.25:
        shares = [(random.randint(0, 6), random.randint(0, 9)) for _ in range(nodes)]
    contents = [
        random.randbytes(random.choice((0, 1, 7, 8, 9, 20))) for _ in range(30)
    ][: random.randint(2, 30)]
    sync = tuple(random.random() < 0.5 for _ in range(nodes))
    if random.random() < 0.6:
        sync = (False,) * nodes
    world = World(
        nodes,
        [],
        [],
        until_ns=0,
        packets=random.choice((1, 2, 3, 8)),
        memory_ns=random.choice((15, 100, 10**6)),
        by_content=random.random() < 0.9,
        shares=shares,
        sync=sync,
        clocks=random.choice((0, 8)),
    )
    if random.random() < 0.3:
        dark = bytes(random.choice((0, 1, 8)))
        world.dark = [(dark, random.choice((0, 10, 50))) for _ in range(nodes)]
        contents.append(dark)
    now_ns = 0
    for _ in range(random.randint(0, 25)):
        now_ns += random.choice((0, 1, 3, 10, 60))
        to = random.choice((*range(nodes), *range(nodes), EVERY_NODE, FOREIGN))
        to = EVERY_NODE if shares and random.random() < 0.8 else to
        packet = Sent(to, now_ns, random.choice(contents))
        if to == EVERY_NODE and any(sync):
            packet.contents = None
        world.sent.append(packet)
    for node in range(nodes):
        bursts = draw_bursts(random, node, world)
        world.bursts += sorted(bursts, key=lambda burst: burst.first_bit_ns)
    end_ns = max([now_ns, *(b.first_bit_ns + LATENCY_NS for b in world.bursts)])
    world.until_ns = end_ns - random.choice((0, 0, 0, LATENCY_NS))
    return world


def draw_bursts(random: Random, node: int, world: World) -> Iterator[Burst]:
    """What one node puts out: mostly what it was sent."""
    begin_ns = 1000 * (node + 1)
    for index, packet in enumerate(world.sent):
        if packet.contents is None:
            continue
        data = bytearray(packet.contents)
        if packet.to == EVERY_NODE:
            data = bytearray(world.contents(index, node))
        if packet.to not in (node, EVERY_NODE) and random.random() < 0.9:
            continue
        if world.shares and packet.to == EVERY_NODE and random.random() < 0.1:
            data = bytearray(world.contents(index, random.randrange(world.nodes)))
        if random.random() < 0.2:
            continue
        if data and random.random() < 0.2:
            data[random.randrange(len(data))] ^= 1 << random.randrange(8)
        if random.random() < 0.05:
            data = bytearray(random.randbytes(random.randint(0, 20)))
        dark = world.dark[node]
        if dark and random.random() < 0.2:
            data = bytearray(dark[0])
        for _ in range(random.choice((1, 1, 1, 1, 2))):
            waits = (0, 2, 2, 2, 15, 40, 200)
            first = packet.last_bit_ns + random.choice(waits)
            shown = -1 if random.random() < 0.1 else first + LATENCY_NS
            burst = Burst(node, first, shown, bytes(data))
            if random.random() < 0.5:
                begin_ns += 1
                burst.begin_ns = begin_ns
            yield from in_parts(random, burst)


def in_parts(random: Random, burst: Burst) -> Iterator[Burst]:
    """A burst, or now and then its parts: some clocks with half data, then the rest."""
    if random.random() < 0.8:
        yield burst
        return
    half = bytes(random.randbytes(len(burst.data)))
    at_ns = burst.first_bit_ns - random.choice((0, 1))
    yield Burst(burst.node, at_ns, at_ns + 1, half, burst.begin_ns, 3)
    yield replace(burst, clocks=5)


def chunks(world: World, cuts: Sequence[int], lag_ns: int = 0) -> Iterator[Chunk]:
    """The columns of a world, cut at some instants, sightings told `lag_ns` late."""
    line_at = packet_at = 0
    for cut, new in zip(
        instants(world, cuts, lag_ns), order(world, cuts, lag_ns), strict=True
    ):
        sent = []
        while (
            packet_at + len(sent) < len(world.sent)
            and world.sent[packet_at + len(sent)].last_bit_ns <= cut
        ):
            sent.append(world.sent[packet_at + len(sent)])
        line, columns_sent = _sent(sent, packet_at, line_at, cut)
        yield line, columns_sent, _seen([world.bursts[k] for k in new], cut - lag_ns)
        line_at += len(line.octets)
        packet_at += len(sent)


def instants(world: World, cuts: Sequence[int], lag_ns: int) -> list[int]:
    """Where the chunks of a world end; the last one when all is known."""
    end_ns = world.until_ns + LATENCY_NS + lag_ns
    return [*sorted(cut for cut in cuts if cut < end_ns), end_ns]


def order(world: World, cuts: Sequence[int], lag_ns: int = 0) -> list[list[int]]:
    """The index of each burst of each chunk of `chunks`."""
    told: set[int] = set()
    lists = []
    for cut in instants(world, cuts, lag_ns):
        new = [
            k
            for k, burst in enumerate(world.bursts)
            if k not in told and burst.first_bit_ns + LATENCY_NS <= cut - lag_ns
        ]
        told.update(new)
        lists.append(new)
    return lists


def _sent(
    sent: Sequence[Sent], first_packet: int, first: int, until_ns: int
) -> tuple[columns.Line, columns.Sent]:
    rows = np.zeros(len(sent), columns.SENT)
    payload = bytearray()
    line_octets = bytearray()
    for k, packet in enumerate(sent):
        contents = packet.contents or b""
        ours = packet.to != FOREIGN
        rows[k] = (
            first_packet + k,
            first_packet + k if ours else -1,
            first + len(line_octets),
            len(contents),
            packet.last_bit_ns,
            packet.last_bit_ns,
            len(payload) if ours and packet.contents is not None else -1,
            len(contents),
            0,
            packet.to,
        )
        line_octets += contents
        payload += contents if ours else b""
    runs = np.zeros(min(1, len(line_octets)), columns.RUN)
    line = columns.Line(
        np.frombuffer(bytes(line_octets), np.uint8),
        runs,
        columns.no_rows(columns.FLAW),
        first,
        until_ns,
    )
    return line, columns.Sent(rows, np.frombuffer(bytes(payload), np.uint8))


def _seen(bursts: Sequence[Burst], until_ns: int) -> columns.Seen:
    rows = np.zeros(len(bursts), columns.SHOWN)
    data = b"".join(burst.data for burst in bursts)
    at = 0
    for k, burst in enumerate(bursts):
        rows[k] = (
            burst.begin_ns,
            burst.first_bit_ns,
            burst.first_bit_ns + LATENCY_NS,
            burst.shown_ns,
            burst.clocks,
            at,
            len(burst.data),
            burst.node,
            0,
            0,
        )
        at += len(burst.data)
    return columns.Seen(
        rows,
        np.frombuffer(data, np.uint8),
        columns.no_rows(columns.DROPPED),
        columns.no_rows(columns.LOST),
        until_ns,
    )
