"""The page of an acceptance: one answer, and one row for each step.

A row says what was required and what was measured, and by how much that is more: a
margin of 1 is just enough.  Below the table stands why a step did not pass, and where
the run of each step lies.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_ns
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.summary import kept, whereabouts
from bench.report.terminal import PLAIN_NS, Drawing, percent, trial_times

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from bench.report.page import Role
    from bench.report.terminal import Out
    from bench.trial.runner import Progress

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_LEAST_LABELS, _MOST_LABELS = 16, 28
_UNDER = " " * 7
"""What stands under a percentage."""

_DRAWN_NS = 100_000_000
_DIGEST = 16
"""Digits of a digest that people compare."""


def accept_page(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The page.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
    """
    told = verdict["accept"]
    names = [len(step["name"]) + 4 for step in told["steps"]]
    labels = max(_LEAST_LABELS, min(max(names, default=0), _MOST_LABELS))
    page = Page(labels, width)
    _verdict(page, verdict)
    page.blank()
    digest = told["plan_sha256"][:_DIGEST]
    page.field("plan", f"{told['plan']}, sha256 {digest}…, {told['plan_file']}")
    page.field("profile", f"{_profile(run)}, link {run['link']}, seed {run['seed']}")
    page.blank()
    _steps(page, told["steps"])
    _reasons(page, told["steps"])
    _runs(page, told["steps"])
    whereabouts(page, verdict, run)
    return page


def accept_brief(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The answer, where it is kept, and how to do it again."""
    page = Page(_LEAST_LABELS, width)
    page.field(verdict["verdict"], verdict["reason"], mark=_ROLES[verdict["verdict"]])
    kept(page, verdict, run)
    return page


def _verdict(page: Page, verdict: Content) -> None:
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    label = "also"
    for text in [*verdict["failures"], *verdict["void"], *verdict["notes"]]:
        if text != verdict["reason"]:
            page.field(label, text)
            label = ""
    if verdict["signal"]:
        page.field("stopped", f"by {verdict['signal']}; --resume goes on with it")


def _profile(run: Content) -> str:
    """The profile, and what was set."""
    sets = ", ".join(
        f"{path} = {value}" for path, value in sorted(run["point"].items())
    )
    return f"{run['profile']} with {sets}" if sets else str(run["profile"])


def _steps(page: Page, steps: Sequence[Content]) -> None:
    """A row for each step."""
    rows = []
    for step in steps:
        margin = step["margin"]
        cells = [
            Piece(step["verdict"], _ROLES[step["verdict"]]),
            Piece(step["required"]),
            Piece(step["measured"] or "–"),
            Piece("" if margin is None else f"{margin:.3g} ×"),
        ]
        rows.append((f"  {step['name']}", cells))
    if rows:
        page.table("steps", ("", "required", "measured", "margin"), rows)


def _reasons(page: Page, steps: Sequence[Content]) -> None:
    """Why steps did not pass."""
    label = "why"
    for step in steps:
        if step["verdict"] != "PASS":
            if label:
                page.blank()
            page.field(label, f"{step['name']}: {step['reason']}")
            label = ""


def _runs(page: Page, steps: Sequence[Content]) -> None:
    """Where the run of each step lies."""
    page.blank()
    label = "runs"
    for step in steps:
        page.whole(label, step["run"])
        label = ""


# --- on the way -----------------------------------------------------------------------


class StepsTold:
    """Looks on, and tells how far an acceptance is: a line for every step."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._drawing = Drawing(out) if out.is_terminal else None
        self._due_ns = 0 if self._drawing else PLAIN_NS

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `bench.trial.runner.Watcher`."""
        counts = progress.counts
        if (last := counts["last"]) is not None:
            self._done(progress, last)
            return
        if progress.spent_ns < self._due_ns:
            return
        under = f"{counts['steps'] + 1} of {counts['of']}: {counts['name']}"
        times = trial_times(progress.trial_ns, progress.spent_ns)
        if self._drawing is not None:
            self._due_ns = progress.spent_ns + _DRAWN_NS
            above = (Piece(percent(progress.share), "good"), Piece(f"  {under}"))
            self._drawing.draw([above, (Piece(f"{_UNDER}{times}", "faint"),)])
            return
        self._due_ns = progress.spent_ns + PLAIN_NS
        self._out.write(f"{percent(progress.share)}  {under}, {times}\n")
        self._out.flush()

    def close(self) -> None:
        """It is over."""
        if self._drawing is not None:
            self._drawing.close()

    def _done(self, progress: Progress, last: Content) -> None:
        """One more step is over."""
        if self._drawing is not None:
            return
        took = glued(format_ns(last["spent_ns"], 2))
        done = f"{last['verdict']} {last['name']}, {took}"
        self._out.write(f"{percent(progress.share)}  {done}\n")
        self._out.flush()
