"""Small worlds, drawn at random, and the columns that hold them, cut anywhere."""

from __future__ import annotations

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
    """A world with losses, repeats, swaps, corruptions, strays and look-alikes."""
    nodes = random.randint(1, 3)
    contents = [
        random.randbytes(random.choice((0, 1, 7, 8, 9, 20))) for _ in range(30)
    ][: random.randint(2, 30)]
    sent: list[Sent] = []
    now_ns = 0
    for _ in range(random.randint(0, 25)):
        now_ns += random.choice((0, 1, 3, 10, 60))
        to = random.choice((*range(nodes), *range(nodes), EVERY_NODE, FOREIGN))
        sent.append(Sent(to, now_ns, random.choice(contents)))
    bursts = [
        burst
        for node in range(nodes)
        for burst in sorted(
            draw_bursts(random, node, sent), key=lambda burst: burst.first_bit_ns
        )
    ]
    end_ns = max([now_ns, *(burst.first_bit_ns + LATENCY_NS for burst in bursts)])
    return World(
        nodes,
        sent,
        bursts,
        until_ns=end_ns - random.choice((0, 0, 0, LATENCY_NS)),
        packets=random.choice((1, 2, 3, 8)),
        memory_ns=random.choice((15, 100, 10**6)),
        by_content=random.random() < 0.9,
    )


def draw_bursts(random: Random, node: int, sent: Sequence[Sent]) -> Iterator[Burst]:
    """What one node puts out: mostly what it was sent."""
    for packet in sent:
        data = bytearray(packet.contents)
        if packet.to not in (node, EVERY_NODE) and random.random() < 0.9:
            continue
        if random.random() < 0.2:
            continue
        if data and random.random() < 0.2:
            data[random.randrange(len(data))] ^= 1 << random.randrange(8)
        if random.random() < 0.05:
            data = bytearray(random.randbytes(random.randint(0, 20)))
        for _ in range(random.choice((1, 1, 1, 1, 2))):
            first = packet.last_bit_ns + random.choice((0, 2, 2, 2, 15, 40, 200))
            shown = -1 if random.random() < 0.1 else first + LATENCY_NS
            yield Burst(node, first, shown, bytes(data))


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
    at = first
    for k, packet in enumerate(sent):
        ours = packet.to != FOREIGN
        rows[k] = (
            first_packet + k,
            first_packet + k if ours else -1,
            at,
            len(packet.contents),
            packet.last_bit_ns,
            packet.last_bit_ns,
            len(payload) if ours else -1,
            len(packet.contents),
            0,
            packet.to,
        )
        at += len(packet.contents)
        payload += packet.contents if ours else b""
    octets = b"".join(packet.contents for packet in sent)
    runs = np.zeros(min(1, len(octets)), columns.RUN)
    line = columns.Line(
        np.frombuffer(octets, np.uint8),
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
            burst.first_bit_ns,
            burst.first_bit_ns,
            burst.first_bit_ns + LATENCY_NS,
            burst.shown_ns,
            8,
            at,
            len(burst.data),
            burst.node,
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
