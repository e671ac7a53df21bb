"""What the tests of a served node share: a small rig, and its traffic in heaps."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from bench.link.lines import parse_line
from bench.profile import load_profile
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from bench.profile.model import Profile
    from bench.trial.serve.served import Served

SMALL = ("output.devices=2", "output.register_bits=16", "output.latch_gap=20 us")
"""Bursts of 32 clocks; a payload of 32 octets."""

MS = 1_000_000

START_NS = 7_000_000_000
"""What the clock says when the first octet arrives."""


def rig(*overrides: str) -> Profile:
    """The causeway's four nodes with short chains."""
    return load_profile("causeway", [*SMALL, "traffic.foreign.share=0", *overrides])


def traffic(profile: Profile, packets: int) -> list[tuple[int, bytes]]:
    """The octets of some packets, each packet with the instant at which it starts."""
    schedule = Schedule(profile, seed=3, packets=packets)
    heaps: list[tuple[int, bytes]] = []
    while (chunk := schedule.take(1 << 20)) is not None:
        line, sent = chunk
        octets = line.octets.tobytes()
        places = [*(sent.rows["first"] - line.first).tolist(), len(octets)]
        starts = sent.rows["start_ns"].tolist()
        places[0] = 0
        heaps += [
            (start, octets[first:end])
            for start, (first, end) in zip(starts, pairwise(places), strict=True)
            if end > first
        ]
    return heaps


def serve(
    served: Served,
    heaps: list[tuple[int, bytes]],
    *,
    slice_ns: int = 5 * MS,
    start_ns: int = START_NS,
    after_ns: int = 200 * MS,
) -> list[tuple[str, dict[str, str]]]:
    """Every line that is told when heaps arrive at their instants."""
    told = bytearray()
    end_ns = start_ns + heaps[-1][0] + after_ns
    arrivals = [(start_ns + at_ns, octets) for at_ns, octets in heaps]
    now_ns = start_ns
    while now_ns < end_ns:
        until_ns = min(now_ns + slice_ns, end_ns)
        while arrivals and arrivals[0][0] <= until_ns:
            at_ns, octets = arrivals.pop(0)
            served.arrive(octets, at_ns)
        served.play(until_ns)
        now_ns = until_ns
        due = served.queue.due(now_ns)
        told += due
        served.queue.taken(len(due))
    return parsed(bytes(told))


def parsed(told: bytes) -> list[tuple[str, dict[str, str]]]:
    """Lines as words and values."""
    lines = [parse_line(line) for line in told.decode("ascii").splitlines()]
    assert None not in lines
    return [line for line in lines if line is not None]
