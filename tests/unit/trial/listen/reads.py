"""A schedule as a listener's reads return it, cut in any way."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import Flaw
from bench.link.transport import Heard
from bench.traffic.schedule import Schedule

if TYPE_CHECKING:
    from bench.base.columns import Line, Sent
    from bench.profile import Profile


def sent_by(profile: Profile, packets: int, seed: int = 3) -> tuple[Line, Sent]:
    """A whole schedule as one chunk."""
    chunk = Schedule(profile, seed=seed, packets=packets).take(1 << 22)
    assert chunk is not None
    return chunk


def ends_of(line: Line, profile: Profile) -> list[int]:
    """When each character ends, worked out one by one."""
    pitch = profile.bus.character.step
    breaks = {int(row["at"]): int(row["length_ns"]) for row in line.flaws}
    kinds = {int(row["at"]): int(row["kind"]) for row in line.flaws}
    bounds = [*line.runs["first"].tolist(), len(line.octets)]
    ends = []
    for row, until in zip(line.runs, bounds[1:], strict=True):
        for k in range(int(row["first"]), until):
            if kinds.get(k) == Flaw.BREAK:
                ends.append(int(row["start_ns"]) + breaks[k])
            else:
                steps = k - int(row["first"]) + 1
                ends.append(int(row["start_ns"] + steps * pitch) + 1)
    return ends


def reads_of(
    line: Line, profile: Profile, seed: int, most: int = 40, late_ns: int = 0
) -> list[Heard]:
    """The line as reads: cut at random, each returning at most so late.

    One that is never late has returned before a gap is over.
    """
    draw = np.random.default_rng(seed)
    ends = ends_of(line, profile)
    flaws = {int(row["at"]): int(row["kind"]) for row in line.flaws}
    bounds = [*line.runs["first"].tolist(), len(ends)]
    reads, at, now_ns = [], 0, 0
    while at < len(ends):
        count = min(int(draw.integers(1, most + 1)), len(ends) - at)
        if not late_ns:
            count = min(count, *(b - at for b in bounds if b > at))
        late = int(draw.integers(0, late_ns + 1))
        now_ns = max(now_ns, ends[at + count - 1] + late)
        octets = bytes(line.octets[at : at + count])
        inside = [(k, flaws[at + k]) for k in range(count) if at + k in flaws]
        reads.append(Heard(octets, now_ns, tuple(inside)))
        at += count
    return reads


def recut(reads: list[Heard], seed: int) -> list[Heard]:
    """The same octets at the same instants, in other pieces."""
    draw = np.random.default_rng(seed)
    pieces = []
    for read in reads:
        count = len(read.octets)
        cuts = sorted({0, count, *draw.integers(0, count + 1, 2).tolist()})
        for start, end in itertools.pairwise(cuts):
            flaws = tuple((k - start, f) for k, f in read.flaws if start <= k < end)
            pieces.append(Heard(read.octets[start:end], read.at_ns, flaws))
    return pieces
