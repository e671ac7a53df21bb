"""A source for real time: chunks cut so short that a request to stop is soon seen.

What a schedule writes at once may lie far apart in time, or be one packet that takes
long.  Here it is cut by time, wherever in a packet that falls, and where the line rests
there are chunks without characters, which let time pass.  Put together again they are
what the schedule wrote.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import (
    DROPPED,
    FLAW,
    LOST,
    RUN,
    SENT,
    SHOWN,
    Line,
    Seen,
    Sent,
    no_octets,
    no_rows,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.base.grid import Grid
    from bench.trial.source import Source

    Chunk = tuple[Line, Sent]

SLICE_NS = 20_000_000
"""Time on the line of a chunk: two may be under way when a stop is asked for."""

_EARLY_NS = 5_000_000
"""A rest ends so long before the next character, for who carries it has to wait."""

_PACKET_NS = 500_000_000
"""A packet under way is sent to its end at a stop, unless that takes longer."""


class Slices:
    """Cuts a source's chunks by time.

    Attributes:
        cut: Whether the last packet was not sent to its end.
    """

    def __init__(self, source: Source, pitch: Grid) -> None:
        """Begin where the source begins.

        Args:
            source: What is cut.
            pitch: From one start bit to the next.
        """
        self._source = source
        self._pitch = pitch
        self._coming: deque[Chunk] = deque()
        self._at_ns = 0
        self._end: int | None = None
        self._packets: deque[tuple[int, int]] = deque()
        self.cut = False

    def take(self, most_octets: int) -> Chunk | None:
        """See `Source`."""
        while not self._coming and self._end is None:
            chunk = self._source.take(most_octets)
            if chunk is None:
                return None
            self._coming.extend(self._slices(*chunk))
        chunk = self._coming.popleft() if self._coming else None
        return chunk if self._end is None else self._trimmed(chunk)

    def give_back(self, line: Line, sent: Sent) -> None:
        """See `Source`; slices share their memory, so it is left to itself."""

    def close(self, chunk: Chunk | None) -> Chunk | None:
        """Come to an end: only what finishes the packet under way is still given.

        Args:
            chunk: What was taken and is not to be sent any more.

        Returns:
            What of it has to be sent all the same.
        """
        if self._end is None and chunk is not None:
            at = chunk[0].first
            self._end = next((e for f, e in self._packets if f < at < e), at)
            if (self._end - at) * self._pitch.step > _PACKET_NS:
                self._end, self.cut = at, True
        return self._trimmed(chunk)

    def _trimmed(self, chunk: Chunk | None) -> Chunk | None:
        """What of a chunk lies before the end."""
        if chunk is None or self._end is None or chunk[0].first >= self._end:
            return None
        line, sent = chunk
        return cut_at(line, sent, self._end - line.first, self._pitch)[0]

    def _slices(self, line: Line, sent: Sent) -> Iterator[Chunk]:
        """One chunk in slices."""
        rows = sent.rows
        self._packets.extend(
            zip(rows["first"].tolist(), _ends(rows).tolist(), strict=True)
        )
        while self._packets and self._packets[0][1] <= line.first:
            self._packets.popleft()
        while len(line.octets):
            start_ns = int(line.runs["start_ns"][0])
            while start_ns - self._at_ns > SLICE_NS + _EARLY_NS:
                self._at_ns = min(self._at_ns + SLICE_NS, start_ns - _EARLY_NS)
                yield _rest(line.first, self._at_ns)
            octets = _started_by(line, start_ns + SLICE_NS, self._pitch)
            (head, heads), (line, sent) = cut_at(line, sent, octets, self._pitch)
            last = head.runs[-1]
            count = len(head.octets) - int(last["first"])
            place = int(last["start_ns"]), int(last["start_rem"])
            self._at_ns = max(self._at_ns, self._pitch.at(count, *place))
            yield head, heads


class Upto:
    """The beginning of a source: what a trial had put on the line when it ended."""

    def __init__(self, source: Source, octets: int, pitch: Grid) -> None:
        """Begin where the source begins.

        Args:
            source: All of it.
            octets: How many characters there are to be.
            pitch: From one start bit to the next.
        """
        self._source = source
        self._left = octets
        self._pitch = pitch

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:
        """See `Source`."""
        if self._left <= 0 or (chunk := self._source.take(most_octets)) is None:
            return None
        (line, sent), _ = cut_at(*chunk, self._left, self._pitch)
        self._left -= len(line.octets)
        return line, sent

    def give_back(self, line: Line, sent: Sent) -> None:
        """See `Source`; what was cut shares its memory, so it is left to itself."""


def rests(first: int, from_ns: int, until_ns: int) -> Iterator[Chunk]:
    """Chunks without characters that let time pass.

    Args:
        first: Global index of the next character.
        from_ns: Up to where time has passed.
        until_ns: Up to where it is to pass.
    """
    while from_ns < until_ns:
        from_ns = min(from_ns + SLICE_NS, until_ns)
        yield _rest(first, from_ns)


def cut_at(line: Line, sent: Sent, octets: int, pitch: Grid) -> tuple[Chunk, Chunk]:
    """A chunk in two.

    Args:
        line: Its characters.
        sent: The packets that end in it.
        octets: Characters of the first part.
        pitch: From one start bit to the next.
    """
    if octets >= len(line.octets):
        return (line, sent), _rest(line.first + len(line.octets), line.until_ns)
    run = int(np.searchsorted(line.runs["first"], octets, "right"))
    after = line.runs[max(run - 1, 0) :].copy()
    ahead = octets - int(after["first"][0])
    place = int(after["start_ns"][0]), int(after["start_rem"][0])
    after["start_ns"][0], after["start_rem"][0] = pitch.after(ahead, *place)
    after["first"] = np.maximum(after["first"] - octets, 0)
    flaw = int(np.searchsorted(line.flaws["at"], octets))
    flaws = line.flaws[flaw:].copy()
    flaws["at"] -= octets
    until_ns, first = int(after["start_ns"][0]), line.first + octets
    before = line.runs[: int(np.searchsorted(line.runs["first"], octets))]
    head = Line(line.octets[:octets], before, line.flaws[:flaw], line.first, until_ns)
    tail = Line(line.octets[octets:], after, flaws, first, line.until_ns)
    packets = int(np.searchsorted(_ends(sent.rows), first, "right"))
    one, two = _packets(sent, 0, packets), _packets(sent, packets, len(sent.rows))
    return (head, one), (tail, two)


def nothing_seen(until_ns: int) -> Seen:
    """A chunk of sightings without any."""
    rows = no_rows(SHOWN), no_octets(), no_rows(DROPPED), no_rows(LOST)
    return Seen(*rows, until_ns)


def _rest(first: int, until_ns: int) -> Chunk:
    """A chunk without characters."""
    line = Line(no_octets(), no_rows(RUN), no_rows(FLAW), first, until_ns)
    return line, Sent(no_rows(SENT), no_octets())


def _ends(rows: np.ndarray) -> np.ndarray:
    """One past the last character of each packet."""
    ends: np.ndarray = rows["first"] + rows["octets"]
    return ends


def _packets(sent: Sent, first: int, end: int) -> Sent:
    """Some of the packets, with their own payloads."""
    rows = sent.rows[first:end].copy()
    having = rows["payload_at"] >= 0
    if not having.any():
        return Sent(rows, no_octets())
    own = rows[having]
    from_ = int(own["payload_at"].min())
    to = int((own["payload_at"] + own["payload_octets"]).max())
    rows["payload_at"][having] -= from_
    return Sent(rows, sent.payload[from_:to])


def _started_by(line: Line, ns: int, pitch: Grid) -> int:
    """How many characters start before an instant, one at least."""
    run = int(np.searchsorted(line.runs["start_ns"], ns)) - 1
    row = line.runs[max(run, 0)]
    end = int(line.runs["first"][run + 1]) if run + 1 < len(line.runs) else None
    count = -(-(ns - int(row["start_ns"])) * pitch.den // pitch.num)
    place = int(row["first"]) + max(1, int(count))
    return min(place, len(line.octets) if end is None else end)
