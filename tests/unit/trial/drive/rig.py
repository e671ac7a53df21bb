"""What the tests of drives share: a desk, a source without a link, a link of a stub."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bench.profile.load import load_profile
from bench.traffic.place import Place
from bench.trial.drive.asked.script import read_line
from bench.trial.drive.desk import Desk
from bench.trial.drive.source import DriveSource
from bench.wire.checks import Check

SMALL = ("output.devices=2", "output.register_bits=16", "output.latch_gap=20 us")
"""Bursts of 32 clocks; a payload of 32 octets."""

MS = 1_000_000


def loader(name: str = "causeway", *overrides: str) -> Any:
    """What loads a profile with values set."""
    short = SMALL if name == "causeway" else ()

    def load(sets: Any = ()) -> Any:
        octets = lambda check: Check.named(check).size  # noqa: E731
        return load_profile(name, [*short, *overrides, *sets], octets)

    return load


def desk(name: str = "causeway", *overrides: str, **more: Any) -> Desk:
    """A desk without lights."""
    return Desk(loader(name, *overrides), lambda _: [], **more)


@dataclass
class Taken:
    """What a source put on the line.

    Attributes:
        octets: All of it.
        times: The start bit of each character, in exact (ns, rem).
        rows: Packets, as tuples.
        rests: Chunks without characters: until when each.
        marks: Orders that were obeyed.
        chunks: How many there were.
    """

    octets: bytearray = field(default_factory=bytearray)
    times: list[tuple[int, int]] = field(default_factory=list)
    rows: list[Any] = field(default_factory=list)
    rests: list[int] = field(default_factory=list)
    marks: list[Any] = field(default_factory=list)
    chunks: int = 0
    flaws: list[tuple[int, int, int]] = field(default_factory=list)


def drive(desk: Desk, lines: Any = (), until_ns: int = 200 * MS, **more: Any) -> Taken:
    """Let a source run with scripted commands, and keep what it gives.

    Args:
        desk: Who takes the commands.
        lines: Typed lines.
        until_ns: When it ends by itself.
        more: For the source; `asks`: lines by the chunk after which they are asked.
    """
    asks = more.pop("asks", {})
    taken = Taken()
    profile = desk.profile
    orders = [desk.ask(read_line(line)) for line in lines]
    source = DriveSource(
        profile,
        more.pop("seed", 3),
        more.pop("place", Place()),
        more.pop("stop", lambda: None),
        until_ns=until_ns,
        marked=taken.marks.append,
        **more,
    )
    for order in orders:
        source.put(order)
    while (chunk := source.take(1 << 19)) is not None:
        line, sent = chunk
        assert line.first == len(taken.octets)
        keep(taken, line, sent, profile.bus.pitch)
        for asked in asks.get(taken.chunks, ()):
            source.put(desk.ask(read_line(asked)))
        assert taken.chunks < 100_000
    taken.source = source  # type: ignore[attr-defined]
    return taken


def keep(taken: Taken, line: Any, sent: Any, pitch: Any) -> None:
    """Keep one chunk, and check that it does not begin before the last one ended."""
    taken.chunks += 1
    if not len(line.octets):
        taken.rests.append(line.until_ns)
        return
    assert line.runs["first"][0] == 0
    ends = [*line.runs["first"].tolist()[1:], len(line.octets)]
    taken.flaws += [
        (int(at) + line.first, int(ns), int(kind)) for at, ns, kind in line.flaws
    ]
    for (first, ns, rem), end in zip(line.runs.tolist(), ends, strict=True):
        if taken.times:
            assert (ns, rem) >= taken.times[-1]
        taken.times += [pitch.after(k, ns, rem) for k in range(end - first)]
    taken.octets += line.octets.tobytes()
    taken.rows += sent.rows.tolist()
    assert np.all(sent.rows["first"] + sent.rows["octets"] <= len(taken.octets))


def gaps(taken: Taken, pitch: Any) -> list[tuple[int, int]]:
    """Where the line rested between two characters: index, and how long in ns."""
    found = []
    for k in range(1, len(taken.times)):
        due = pitch.after(1, *taken.times[k - 1])
        if taken.times[k] != due:
            found.append((k, taken.times[k][0] - due[0]))
    return found
