"""Progress of many trials: how many points are done, or which value is tried.

On a terminal two lines that are drawn over; anywhere else a plain line now and then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.page import Piece
from bench.report.terminal import PLAIN_NS, Drawing, percent, trial_times

if TYPE_CHECKING:
    from pathlib import Path

    from bench.report.terminal import Out
    from bench.trial.runner import Progress

_UNDER = " " * 7
"""What stands under a percentage."""

DRAWN_NS = 100_000_000
"""Lines are drawn over this often at most."""


class ManyTold:
    """Looks on, and tells how far a sweep or a search is."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._drawing = Drawing(out) if out.is_terminal else None
        self._due_ns = 0 if self._drawing else PLAIN_NS

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `bench.trial.runner.Watcher`."""
        if progress.spent_ns < self._due_ns:
            return
        share, first, second = told(progress)
        if self._drawing is not None:
            self._due_ns = progress.spent_ns + DRAWN_NS
            above = (Piece(share, "good"), Piece(f"  {first}"))
            self._drawing.draw([above, (Piece(f"{_UNDER}{second}"),)])
            return
        self._due_ns = progress.spent_ns + PLAIN_NS
        self._out.write(f"{share}  {first}; {second}\n")
        self._out.flush()

    def close(self) -> None:
        """It is over."""
        if self._drawing is not None:
            self._drawing.close()


def told(progress: Progress) -> tuple[str, str, str]:
    """How much is done, and two lines about it."""
    counts = progress.counts
    times = trial_times(progress.trial_ns, progress.spent_ns)
    if "points" not in counts:
        last = counts["last"]
        return "  …  ", f"{counts['trials']} trials, {times}", _value(last)
    points = f"{format_count(counts['points'])} of {format_count(counts['of'])} points"
    left = progress.spent_ns * (1 / progress.share - 1) if progress.share else 0.0
    states = ", ".join(
        f"{format_count(count)} {state}" for state, count in counts["states"].items()
    )
    to_go = f"{format_ns(left, 2)} to go" if 0 < progress.share < 1 else times
    return percent(progress.share), f"{points}, {to_go}", states


def _value(last: dict[str, Any]) -> str:
    """What became of one value."""
    text = f"{last['text']}: {last['state']}"
    return f"{text}, {last['cause']}" if last["cause"] else text
