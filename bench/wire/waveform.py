"""A stretch of the line as levels: drawn, disturbed, and heard again.

Characters that are sent as they should be need no levels: what a receiver hears is what
was sent.  Around a disturbance that is not so, and here is what becomes of it.  A `Pen`
draws the characters of a `Line` as level changes; those are cut, spliced, turned over;
and a receiver (`bench.wire.characters.CharacterReader`, the usual one: it begins with a
fall, samples in the middle of each bit, and after a missing stop bit waits for the line
to rise) reads them, out of step with the sender or not.  `heard` makes columns of what
it read, `catch_up` goes on until it is in step again, from where on the line as it was
sent serves once more.

Levels are lists of changes, (time in ns, level), ascending, from a line at 1 unless
stated.  Each time is that of the exact grid, rounded down, so that a receiver at the
sender's own baud gives back each start to the nanosecond.

A character is in the place where it starts.  A break that spoils the character before
it starts where the line fell, within that character.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, Flaw
from bench.wire.characters import (
    NINTH_BIT,
    Character,
    CharacterFormat,
    CharacterReader,
    Idle,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from bench.base.columns import Line, Octets, Rows
    from bench.profile.model import Bus
    from bench.wire.characters import CharacterEvent

    Change = tuple[int, int]
    Changes = list[Change]


def characters_of(bus: Bus, baud: int | None = None) -> CharacterFormat:
    """The characters of a bus.

    Args:
        bus: The bus.
        baud: Another baud than its own.
    """
    rate = bus.baud if baud is None else baud
    return CharacterFormat(rate, bus.data_bits, bus.parity, bus.stop_bits)


# --- columns of a line ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Part:
    """Characters on the line, as the columns have them; `flaws` count from its first.

    Attributes:
        octets: uint8.
        runs: `RUN` rows.
        flaws: `FLAW` rows.
    """

    octets: Octets
    runs: Rows
    flaws: Rows


class Track:
    """A line, character by character.

    Attributes:
        line: The line, in one chunk.
    """

    def __init__(self, line: Line, bus: Bus) -> None:
        """Look at a line.

        Args:
            line: The line.
            bus: What its characters are like.
        """
        self.line = line
        self._pitch = bus.pitch
        self._character_ns = bus.character.at(1)
        self._firsts: list[int] = line.runs["first"].tolist()
        self._starts_ns: list[int] = line.runs["start_ns"].tolist()
        self._rems: list[int] = line.runs["start_rem"].tolist()
        self._flaws = {
            at: (kind, length_ns)
            for at, kind, length_ns in zip(
                *(line.flaws[key].tolist() for key in ("at", "kind", "length_ns")),
                strict=True,
            )
        }

    def __len__(self) -> int:
        return len(self.line.octets)

    def start(self, index: int) -> tuple[int, int]:
        """The exact start of a character, on the grid of the bus: (ns, rem)."""
        run = bisect_right(self._firsts, index) - 1
        steps = index - self._firsts[run]
        return self._pitch.after(steps, self._starts_ns[run], self._rems[run])

    def start_ns(self, index: int) -> int:
        """When a character starts."""
        return self.start(index)[0]

    def end_ns(self, index: int) -> int:
        """When it ends: after its stop bits, or where a break rises."""
        kind, length_ns = self.flaw(index)
        lasts_ns = length_ns if kind == Flaw.BREAK else self._character_ns
        return self.start_ns(index) + lasts_ns

    def flaw(self, index: int) -> tuple[int, int]:
        """What is wrong with a character: (a `Flaw` or 0, length of a break)."""
        return self._flaws.get(index, (0, 0))

    def started_by(self, ns: int) -> int:
        """How many characters start before an instant."""
        run = bisect_left(self._starts_ns, ns)
        if run == 0:
            return 0
        end = self._firsts[run] if run < len(self._firsts) else len(self)
        pitch = self._pitch
        since = (ns - self._starts_ns[run - 1]) * pitch.den - self._rems[run - 1]
        return min(end, self._firsts[run - 1] - (-since // pitch.num))

    def ended_by(self, ns: int) -> int:
        """How many characters have ended by an instant."""
        count = self.started_by(ns - self._character_ns + 1)
        return count - (count > 0 and self.end_ns(count - 1) > ns)

    def gaps(self, first: int) -> Iterator[tuple[int, int]]:
        """Idle times before characters after one, as (index, ns); where there are any.

        Characters of one run follow each other without one.
        """
        for at in self._firsts[bisect_right(self._firsts, first) :]:
            yield at, self.start_ns(at) - self.end_ns(at - 1)

    def part(self, first: int, end: int) -> Part:
        """Some of its characters, as they were sent."""
        line = self.line
        if first >= end:
            return Part(line.octets[:0], line.runs[:0], line.flaws[:0])
        low = bisect_right(self._firsts, first) - 1
        high = bisect_left(self._firsts, end)
        runs = line.runs[low:high].copy()
        runs["first"] -= first
        runs[0] = (0, *self.start(first))
        low, high = np.searchsorted(line.flaws["at"], (first, end))
        flaws = line.flaws[low:high].copy()
        flaws["at"] -= first
        return Part(line.octets[first:end], runs, flaws)


def joined(parts: Sequence[Part]) -> Part:
    """Parts of a line, one after another."""
    octets = np.concatenate([part.octets for part in parts])
    runs = np.concatenate([part.runs for part in parts])
    flaws = np.concatenate([part.flaws for part in parts])
    run = flaw = before = 0
    for part in parts:
        runs["first"][run : run + len(part.runs)] += before
        flaws["at"][flaw : flaw + len(part.flaws)] += before
        run += len(part.runs)
        flaw += len(part.flaws)
        before += len(part.octets)
    return Part(octets, runs, flaws)


# --- drawn ----------------------------------------------------------------------------


class Pen:
    """Draws the characters of a bus as level changes."""

    def __init__(self, bus: Bus) -> None:
        """Hold a pen.

        Args:
            bus: What the characters are like, and the grid on which they start.
        """
        self._format = characters_of(bus)
        self._grid = self._format.half_bit
        self._den = bus.pitch.den
        self._shapes: dict[tuple[int, int], list[Change]] = {}

    def draw(self, track: Track, first: int, end: int) -> Iterator[Change]:
        """The changes of some characters of a line, each from a line at 1.

        A character is back at 1 by its end; a stop bit that is missing is low for as
        long as it should be high.
        """
        grid, den = self._grid, self._den
        for index in range(first, end):
            ns, rem = track.start(index)
            kind, length_ns = track.flaw(index)
            if kind == Flaw.BREAK:
                yield ns, 0
                yield ns + length_ns, 1
                continue
            for steps, level in self._shape(int(track.line.octets[index]), kind):
                part = rem * grid.den + steps * grid.num * den
                yield ns + part // (den * grid.den), level

    def _shape(self, octet: int, kind: int) -> list[Change]:
        """Where a character changes, in half bits from its start."""
        known = self._shapes.get((octet, kind))
        if known is None:
            known = self._shapes[octet, kind] = self._shape_of(octet, kind)
        return known

    def _shape_of(self, octet: int, kind: int) -> list[Change]:
        form = self._format
        data = octet | (NINTH_BIT if kind == Flaw.ADDRESS else 0)
        levels = list(form.levels(data))
        if kind == Flaw.PARITY and form.parity != "none":
            levels[form.checked_bits] ^= 1
        if kind == Flaw.FRAMING:
            levels[form.checked_bits + 1 :] = [0]
        changes, level = [], 1
        for bit, value in enumerate(levels):
            if value != level:
                changes.append((2 * bit, value))
                level = value
        if level == 0:
            changes.append((form.half_bits, 1))
        return changes


# --- disturbed ------------------------------------------------------------------------


def level_at(changes: Sequence[Change], ns: int) -> int:
    """The level at an instant, a change at it included."""
    index = bisect_right(changes, (ns, 1))
    return changes[index - 1][1] if index else 1


def window(changes: Sequence[Change], from_ns: int, until_ns: int) -> Changes:
    """A stretch of a line; its level at the beginning stands there as a change."""
    inside = [change for change in changes if from_ns < change[0] < until_ns]
    return [(from_ns, level_at(changes, from_ns)), *inside]


def turned_over(changes: Iterable[Change]) -> Changes:
    """The other level at each change."""
    return [(ns, 1 - level) for ns, level in changes]


# --- heard ----------------------------------------------------------------------------


def heard(events: Sequence[CharacterEvent]) -> Part:
    """What a receiver read, as columns; each character is a run of its own."""
    events = [event for event in events if not isinstance(event, Idle)]
    octets = np.zeros(len(events), np.uint8)
    runs = np.zeros(len(events), RUN)
    flaws = []
    for index, event in enumerate(events):
        runs[index] = (index, event.start_ns, 0)
        if not isinstance(event, Character):
            # Of a break that was still going on no more is known than that it was one.
            flaws.append((index, event.length_ns or 0, Flaw.BREAK))
            continue
        octets[index] = event.octet
        if event.flaw is not None:
            flaws.append((index, 0, event.flaw))
    return Part(octets, runs, np.array(flaws, FLAW))


def catch_up(
    reader: CharacterReader, track: Track, pen: Pen, first: int, most: int
) -> tuple[list[CharacterEvent], int | None]:
    """Read a line as it was sent until the receiver is in step with the sender.

    It is in step from a character on whose start bit it takes for a start bit.

    Args:
        reader: The receiver, on whose line nothing from character `first` on came yet.
        track: The line.
        pen: What draws it.
        first: The first character.
        most: How many it is given at most.

    Returns:
        What it read before it was in step, and the character from which on it is; None
        if it never was.
    """
    events: list[CharacterEvent] = []
    starts: dict[int, int] = {}
    for index in range(first, min(first + most, len(track))):
        starts[track.start_ns(index)] = index
        for change in pen.draw(track, index, index + 1):
            reader.change(*change)
        reader.until(track.end_ns(index))
        for event in reader.events():
            if event.start_ns in starts and not isinstance(event, Idle):
                return events, starts[event.start_ns]
            events.append(event)
    return events, None
