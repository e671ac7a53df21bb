"""A captured line as characters: which, when, at which real baud, and its rests.

The bit time is that of the sender by the capture's own clock: over all characters that
are sound, the distances of their edges from their start edge, against the bits that lie
between.  A character takes that much however long the line rests after it, so rests are
what starts are apart beyond a whole character.  One shorter than half a bit is none:
edges jitter, and some senders stretch a stop bit by a sample.

A line whose level is not known (before the first change, or while the dump was off) is
not read; reading begins anew when it is.
"""

from __future__ import annotations

from array import array
from collections import deque
from dataclasses import dataclass, field
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import Flaw
from bench.wire.characters import Character, CharacterReader, LineBreak

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from bench.wire.characters import CharacterEvent, CharacterFormat

LEAST_REST_BITS = 0.5
"""A shorter rest is none."""


@dataclass(slots=True)
class BitTime:
    """What the bit time is, by edges inside of characters.

    Attributes:
        edges: How many were measured.
        ns: Their distances from the start edge, in all.
        bits: The bits that lie between, in all.
        errors_ns2: Squares of how far they are from where they belong, in all.
    """

    edges: int = 0
    ns: int = 0
    bits: int = 0
    errors_ns2: float = 0.0

    def add(self, after_ns: int, bits: int, nominal_ns: float) -> None:
        """One edge, so long and so many bits after its start edge."""
        self.edges += 1
        self.ns += after_ns
        self.bits += bits
        self.errors_ns2 += (after_ns - bits * nominal_ns) ** 2

    @property
    def value_ns(self) -> float | None:
        """The bit time; None if no edge was measured."""
        return self.ns / self.bits if self.bits else None

    @property
    def error(self) -> float | None:
        """Two standard errors of it, as a share; the capture's clock is beside it."""
        if self.edges < 2 or not self.ns:
            return None
        spread_ns = sqrt(self.errors_ns2 / self.edges)
        return 2 * spread_ns * sqrt(self.edges) / self.ns


@dataclass(slots=True)
class Captured:
    """What was on the line.

    Attributes:
        format: What characters look like.
        octets: All characters that have a stop bit.
        starts_ns: Their start edges.
        breaks_at: Before which of them the line was held low.
        flawed: Characters with something wrong.
        bit: Their bit time.
        until_ns: Up to when the line was watched.
    """

    format: CharacterFormat
    octets: bytearray = field(default_factory=bytearray)
    starts_ns: array[int] = field(default_factory=lambda: array("q"))
    breaks_at: list[int] = field(default_factory=list)
    flawed: int = 0
    bit: BitTime = field(default_factory=BitTime)
    until_ns: int = 0

    @property
    def bit_ns(self) -> float:
        """The real bit time, or the nominal one if none was measured."""
        return self.bit.value_ns or 1e9 / self.format.baud

    @property
    def character_ns(self) -> float:
        """The real time of a character."""
        return self.bit_ns * self.format.half_bits / 2

    def rests_ns(self) -> NDArray[np.float64]:
        """Rest before each character but the first; 0 for none, or after a break."""
        starts = np.frombuffer(self.starts_ns, np.int64)
        rests = np.diff(starts) - self.character_ns
        rests[rests < LEAST_REST_BITS * self.bit_ns] = 0.0
        breaks = np.array([at - 1 for at in self.breaks_at if 0 < at < starts.size])
        rests[breaks.astype(np.int64)] = 0.0
        return rests


def read_line(
    changes: Iterable[tuple[int, int | None]],
    format: CharacterFormat,  # noqa: A002
) -> Captured:
    """Read a captured line to its end.

    Args:
        changes: Its levels, (time in ns, 0, 1, or None for unknown), in order of time.
        format: What characters look like, at about which baud.
    """
    captured = Captured(format)
    edges: deque[tuple[int, int]] = deque()
    for event in _events(changes, format, edges, captured):
        if isinstance(event, LineBreak):
            captured.breaks_at.append(len(captured.octets))
        elif isinstance(event, Character):
            _take(captured, event, edges)
    return captured


def _events(
    changes: Iterable[tuple[int, int | None]],
    format: CharacterFormat,  # noqa: A002
    edges: deque[tuple[int, int]],
    captured: Captured,
) -> Iterator[CharacterEvent]:
    """What a receiver makes of the line; changes go to `edges` meanwhile."""
    reader: CharacterReader | None = None
    was: int | None = None
    now_ns = 0
    for ns, level in changes:
        now_ns = ns
        if level == was:
            continue
        was = level
        if level is None:
            if reader is not None:
                reader.finish(ns)
                yield from reader.events()
            reader = None
            edges.clear()
            continue
        if reader is None:
            reader = CharacterReader(format, start_ns=ns, level=level)
            continue
        reader.change(ns, level)
        yield from reader.events()
        edges.append((ns, level))
    if reader is not None:
        # Whatever is under way at the end of the file is given its time.
        reader.finish(now_ns + format.character.at(2))
        yield from reader.events()
    captured.until_ns = now_ns


def _take(
    captured: Captured, character: Character, edges: deque[tuple[int, int]]
) -> None:
    """One character, and where its edges were."""
    start_ns, flaw = character.start_ns, character.flaw
    captured.octets.append(character.octet)
    captured.starts_ns.append(start_ns)
    sound = flaw is None or flaw == Flaw.ADDRESS
    captured.flawed += not sound
    nominal_ns = 1e9 / captured.format.baud
    # Up to the rise into the stop bit; what falls after it is another character's.
    last = captured.format.checked_bits + 1
    while edges and edges[0][0] <= start_ns + (last + 0.5) * nominal_ns:
        ns, _ = edges.popleft()
        bits = round((ns - start_ns) / nominal_ns)
        if sound and 0 < bits <= last:
            captured.bit.add(ns - start_ns, bits, nominal_ns)
