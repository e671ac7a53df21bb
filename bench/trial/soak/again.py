"""What led up to an anomaly, once more: the same characters, with their timing.

Characters follow from profile, seed and plan alone, so they are made again rather than
kept, and compared with those that are kept.  Time begins anew with the first of them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.base.columns import Line, Sent
from bench.base.errors import Fault, UsageError
from bench.trial.slices import cut_at
from bench.trial.source import source_of

if TYPE_CHECKING:
    from bench.base.columns import Rows
    from bench.base.grid import Grid
    from bench.trial.plan import Plan
    from bench.trial.source import Source

BEFORE = 3
"""Packets before the one that it is about: as many as are kept with an anomaly."""

AFTER = 2
"""Packets after it, which a node may be needed by to come to an end."""

_TAKEN = 1 << 19


@dataclass(frozen=True, slots=True)
class Span:
    """A part of a trial's line.

    Attributes:
        first: Its first character.
        end: One past its last.
        start_ns: The first start bit.
        packet: Number of the packet that it is about.
        before: The characters of the packets before that one.
    """

    first: int
    end: int
    start_ns: int
    packet: int
    before: tuple[bytes, ...]


def span_of(plan: Plan, packet: int | None, ns: int) -> Span:
    """Where on the line it was.

    Args:
        plan: The trial.
        packet: Number of the packet that it is about; None: of none,
        ns: and it was seen then.

    Raises:
        UsageError: If the line never came so far.
    """
    source, last = source_of(plan), deque[tuple[Any, bytes]](maxlen=BEFORE + 1)
    tail, tail_first = b"", 0
    found: tuple[list[tuple[Any, bytes]], int] | None = None
    while (chunk := source.take(_TAKEN)) is not None:
        line, sent = chunk
        octets = tail + line.octets.tobytes()
        at = tail_first if tail else line.first
        for row in sent.rows:
            first, size = int(row["first"]), int(row["octets"])
            if found is None:
                characters = octets[first - at : first - at + size]
                last.append((row.copy(), characters))
                if _is_it(row, packet, ns):
                    found = list(last), AFTER
            elif found[1] > 1:
                found = found[0], found[1] - 1
            else:
                return _span(found[0], first + size)
        kept = _open_since(sent.rows, line)
        tail, tail_first = octets[kept - at :], kept
        source.give_back(line, sent)
    if found is not None:
        return _span(found[0], tail_first)
    where = f"packet {packet}" if packet is not None else f"{ns} ns"
    raise UsageError(Fault("the line never came so far", where))


def _is_it(row: Any, packet: int | None, ns: int) -> bool:
    """Whether it was about this packet; without one, about the first after it."""
    if packet is not None:
        return int(row["packet"]) >= packet
    return int(row["last_bit_ns"]) > ns


def _open_since(rows: Rows, line: Line) -> int:
    """Where what is not a whole packet yet begins."""
    if not len(rows):
        return line.first
    return int(rows[-1]["first"] + rows[-1]["octets"])


def _span(packets: list[tuple[Any, bytes]], end: int) -> Span:
    first, about = packets[0][0], packets[-1][0]
    return Span(
        int(first["first"]),
        max(end, int(about["first"] + about["octets"])),
        int(first["start_ns"]),
        int(about["packet"]),
        tuple(characters for _, characters in packets[:-1]),
    )


class Again:
    """See `bench.trial.source.Source`: a span of a line, from time 0 on."""

    def __init__(self, plan: Plan, span: Span) -> None:
        """Nothing taken.

        Args:
            plan: The trial.
            span: What of it.
        """
        self._source: Source = source_of(plan)
        self._span = span
        self._pitch: Grid = plan.profile.bus.pitch
        self._over = False

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:
        """See `Source`."""
        span = self._span
        while not self._over and (chunk := self._source.take(most_octets)) is not None:
            line, sent = chunk
            end = line.first + len(line.octets)
            if end <= span.first:
                self._source.give_back(line, sent)
                continue
            self._over = end >= span.end
            if line.first < span.first:
                ahead = span.first - line.first
                line, sent = cut_at(line, sent, ahead, self._pitch)[1]
            if end > span.end:
                left = span.end - line.first
                line, sent = cut_at(line, sent, left, self._pitch)[0]
            return self._moved(line, sent)
        return None

    def give_back(self, line: Line, sent: Sent) -> None:
        """See `Source`; what was moved is its own."""

    def _moved(self, line: Line, sent: Sent) -> tuple[Line, Sent]:
        """On a line that begins with the span."""
        span = self._span
        runs, rows = line.runs.copy(), sent.rows.copy()
        runs["start_ns"] -= span.start_ns
        whole = rows["first"] >= span.first
        rows = rows[whole]
        rows["first"] -= span.first
        for word in ("start_ns", "last_bit_ns"):
            rows[word] -= span.start_ns
        until_ns = line.until_ns - span.start_ns
        moved = Line(line.octets, runs, line.flaws, line.first - span.first, until_ns)
        return moved, Sent(rows, sent.payload)
