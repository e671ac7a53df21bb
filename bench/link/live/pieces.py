"""A chunk of the line in pieces, each with the instant from which it may be sent.

The first piece of a run is due at its first start bit and holds what the lead covers;
each that follows is due a lead before its own first start bit.  Characters that must be
sent apart (a break, one whose ninth bit is set) are pieces of their own.  Sans-IO; in
what instants pieces are due, and of which characters, does not depend on how the line
was cut into chunks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.base.columns import Line
    from bench.base.grid import Grid


@dataclass(frozen=True, slots=True)
class Piece:
    """Characters that are handed over together.

    Attributes:
        first: Index of the first one in the chunk.
        end: One past the last.
        due_ns: When, in ns of the plan.
        start_ns: The start bit of the first one, likewise.
        begins: Whether the line rested before it.
        flaw: A `Flaw` of its only character, or 0.
        length_ns: Of a break.
    """

    first: int
    end: int
    due_ns: int
    start_ns: int
    begins: bool
    flaw: int = 0
    length_ns: int = 0


class Cutter:
    """Cuts chunk after chunk into pieces."""

    def __init__(self, pitch: Grid, lead_ns: int, piece_ns: int) -> None:
        """Begin with the line at rest.

        Args:
            pitch: From one start bit to the next.
            lead_ns: See `LiveRules`.
            piece_ns: Likewise.
        """
        self._pitch = pitch
        self._lead_ns = lead_ns
        self._piece = max(1, int(piece_ns / pitch.step))
        self._opening = self._piece + int(lead_ns / pitch.step)
        self._next: tuple[int, int] | None = None
        self._begun_ns = 0
        self._due_ns = 0
        self._left = 0

    def pieces(self, line: Line) -> Iterator[Piece]:
        """The pieces of the next chunk."""
        starts, flaws = line.runs["first"].tolist(), line.flaws.tolist()
        ends = [*starts[1:], len(line.octets)]
        flaw = 0
        for row, end in zip(line.runs.tolist(), ends, strict=True):
            at, ns, rem = row
            begins = (ns, rem) != self._next
            if begins:
                self._left, self._begun_ns = 0, ns
            while at < end:
                length_ns = kind = 0
                upto = end
                if flaw < len(flaws):
                    place, length_ns, kind = flaws[flaw]
                    if place > at:
                        upto, kind = min(end, place), 0
                    else:
                        upto, flaw = at + 1, flaw + 1
                if kind:
                    yield Piece(at, upto, ns, ns, begins, kind, length_ns)
                    self._left, self._begun_ns = 0, self._pitch.at(1, ns, rem)
                    begins = False
                else:
                    opens = self._left == 0
                    if opens:
                        self._open(ns)
                    upto = min(upto, at + self._left)
                    yield Piece(at, upto, self._due_ns, ns, begins)
                    self._left -= upto - at
                    begins = False
                ns, rem = self._pitch.after(upto - at, ns, rem)
                at = upto
            self._next = ns, rem

    def _open(self, ns: int) -> None:
        """A new piece, whose first start bit is at `ns`."""
        first = ns == self._begun_ns
        self._left = self._opening if first else self._piece
        self._due_ns = ns if first else max(self._begun_ns, ns - self._lead_ns)
