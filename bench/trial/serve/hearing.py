"""What boards hear of a wire when something is wrong with their hearing.

Characters that are not heard leave a gap; those around it stay exactly where they were.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, Line, no_rows
from bench.trial.serve.defects import Characters

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from bench.base.columns import Rows
    from bench.base.grid import Grid
    from bench.trial.serve.defects import Defect


class Hearing:
    """Between the wire and the boards."""

    def __init__(self, pitch: Grid, defects: Sequence[Defect] = ()) -> None:
        """Good hearing, but for the defects.

        Args:
            pitch: From one start bit to the next in an unbroken run.
            defects: Those that do not hear change nothing.
        """
        self._pitch = pitch
        self._defects = [defect for defect in defects if defect.hears]
        self._heard = 0

    def heard(self, line: Line) -> Line:
        """What is heard of the next chunk of the wire."""
        if not self._defects:
            return line
        everything = np.ones(len(line.octets), np.bool_)
        starts_ns = self._starts(line)
        characters = Characters(line.first, starts_ns, line.octets.copy(), everything)
        for defect in self._defects:
            defect.hear(characters)
        heard = characters.heard
        first, self._heard = self._heard, self._heard + int(heard.sum())
        octets, runs = characters.octets[heard], self._runs(line, heard)
        return Line(octets, runs, no_rows(FLAW), first, line.until_ns)

    def _starts(self, line: Line) -> NDArray[np.int64]:
        """When each character starts."""
        starts = np.empty(len(line.octets), np.int64)
        pitch = self._pitch
        for first, end, start_ns, start_rem in _runs_of(line):
            units = np.arange(end - first) * pitch.num + start_rem
            starts[first:end] = start_ns + units // pitch.den
        return starts

    def _runs(self, line: Line, heard: NDArray[np.bool_]) -> Rows:
        """The runs that are left."""
        rows = []
        places = np.cumsum(heard) - 1
        for first, end, start_ns, start_rem in _runs_of(line):
            inside = heard[first:end]
            begins = inside & ~np.concatenate([[False], inside[:-1]])
            for begin in np.flatnonzero(begins).tolist():
                start = self._pitch.after(begin, start_ns, start_rem)
                rows.append((int(places[first + begin]), *start))
        return np.array(rows, RUN)


def _runs_of(line: Line) -> Iterator[tuple[int, int, int, int]]:
    """First and one past the last character of each run, and where it starts."""
    firsts = line.runs["first"].tolist()
    ends = [*firsts, len(line.octets)][1:]
    starts = zip(
        line.runs["start_ns"].tolist(), line.runs["start_rem"].tolist(), strict=True
    )
    for first, end, (start_ns, start_rem) in zip(firsts, ends, starts, strict=True):
        yield first, end, start_ns, start_rem
