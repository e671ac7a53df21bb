"""A campaign on the way: how far it is, and the last thing it found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count
from bench.report.fuzz.note import note
from bench.report.page import Page, Piece
from bench.report.terminal import PLAIN_NS, Drawing, percent, trial_times

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from bench.report.page import Line
    from bench.report.terminal import Out
    from bench.trial.runner import Progress

_DRAWN_NS = 200_000_000
"""A block is drawn over this often at most."""

_UNDER = " " * 7
_LABELS = 13


class CampaignTold:
    """Looks on: a block that is drawn over on a terminal, plain lines elsewhere."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._drawing = Drawing(out) if out.is_terminal else None
        self._due_ns = 0 if self._drawing else PLAIN_NS
        self._told = 0

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `bench.trial.runner.Watcher`."""
        counts = progress.counts
        new = counts["findings"] > self._told
        if progress.spent_ns < self._due_ns and not new:
            return
        self._told = counts["findings"]
        if self._drawing is not None:
            self._due_ns = progress.spent_ns + _DRAWN_NS
            self._drawing.draw(_block(progress, self._out.width))
            return
        self._due_ns = progress.spent_ns + PLAIN_NS
        first, second = _lines(progress)
        self._out.write(f"{percent(progress.share)}  {first}; {second}\n")
        self._out.flush()

    def close(self) -> None:
        """It is over."""
        if self._drawing is not None:
            self._drawing.close()


def _block(progress: Progress, width: int) -> list[Line]:
    """Two lines, and the last finding as a note below them."""
    first, second = _lines(progress)
    above = (Piece(percent(progress.share), "good"), Piece(f"  {first}"))
    block: list[Line] = [above, (Piece(f"{_UNDER}{second}"),)]
    last: Mapping[str, Any] | None = progress.counts["last"]
    if last is not None:
        page = Page(_LABELS, width)
        note(page, last)
        block += [(), *page.lines]
    return block


def _lines(progress: Progress) -> tuple[str, str]:
    counts = progress.counts
    cases = f"{format_count(counts['cases'])} cases"
    if progress.spent_ns > 0:
        rate = round(1e9 * counts["cases"] / progress.spent_ns)
        cases += f", {format_count(rate)} a second"
    first = f"{cases}, {trial_times(progress.trial_ns, progress.spent_ns)}"
    found = counts["findings"]
    return first, f"{found or 'nothing'} found, {counts['state']}"
