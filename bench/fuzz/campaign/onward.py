"""A link that goes on and on, seen by each case as one whose time begins with it.

Cases are laid from the instant 0 and place 0 on, and a live link is not opened anew for
each of them: what is handed over is moved on behind what was carried before, and what
was seen is moved back.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from types import TracebackType

    from bench.base.columns import Line, Rows, Seen, Sent
    from bench.link.evidence import Evidence
    from bench.link.link import Link
    from bench.link.observes import Observes

_TIMES = {
    "shown": ("burst_ns", "first_bit_ns", "end_ns", "shown_ns"),
    "dropped": ("ns",),
    "lost": ("ns",),
}
_PLACES = {"dropped": ("first", "end"), "lost": ("at",)}


class Onward:
    """The way of one case after others on the same link."""

    def __init__(self, link: Link) -> None:
        """Begin with a link at rest.

        Args:
            link: It stays open when this is closed; whoever opened it closes it.
        """
        self._link = link
        self._from_ns = self._from = 0
        self._until_ns = self._until = 0
        self._void: tuple[str, ...] = ()

    def next_case(self) -> None:
        """What comes now begins at the instant 0 and place 0."""
        self._from_ns, self._from = self._until_ns, self._until
        self._void = self._link.evidence().void

    @property
    def name(self) -> str:
        """See `Link`."""
        return self._link.name

    @property
    def observes(self) -> Observes:
        """See `Link`."""
        return self._link.observes

    @property
    def most_octets(self) -> int | None:
        """See `Link`."""
        return self._link.most_octets

    @property
    def transport(self) -> object:
        """What moves its octets, if it is a live link."""
        return getattr(self._link, "transport", None)

    @property
    def at(self) -> tuple[int, int]:
        """Place and instant of the link, in its own terms, at which it is free."""
        return self._until, self._until_ns

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:
        """See `Link`."""
        runs = line.runs.copy()
        runs["start_ns"] += self._from_ns
        until_ns = line.until_ns + self._from_ns
        moved = replace(
            line, runs=runs, first=line.first + self._from, until_ns=until_ns
        )
        self._until = moved.first + len(line.octets)
        self._until_ns = until_ns
        if sent is not None:
            rows = sent.rows.copy()
            rows["first"] += self._from
            for name in ("start_ns", "last_bit_ns"):
                rows[name] += self._from_ns
            sent = replace(sent, rows=rows)
        return self._back(self._link.carry(moved, sent))

    def evidence(self) -> Evidence:
        """See `Link`: what is new of this case."""
        told = self._link.evidence()
        void = tuple(text for text in told.void if text not in self._void)
        return replace(told, void=void)

    def close(self) -> None:
        """See `Link`; it stays open."""

    def __enter__(self) -> Onward:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _back(self, seen: Seen) -> Seen:
        """What was seen, in terms of the case."""
        columns: dict[str, Any] = {}
        for column, names in _TIMES.items():
            rows: Rows = getattr(seen, column).copy()
            for name in names:
                _move_back(rows, name, self._from_ns)
            for name in _PLACES.get(column, ()):
                _move_back(rows, name, self._from)
            columns[column] = rows
        return replace(seen, until_ns=seen.until_ns - self._from_ns, **columns)


def _move_back(rows: Rows, name: str, much: int) -> None:
    """Move one column back, but for what is not known."""
    known = rows[name] != -1
    rows[name] = np.where(known, rows[name] - much, rows[name])
