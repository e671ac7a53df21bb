"""The exam of the bench: every bad node, by what it was found, and by how little."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.fuzz.note import note
from bench.report.page import WIDTH, Page, Piece
from bench.report.terminal import PLAIN_NS, Drawing, percent

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from bench.report.terminal import Out
    from bench.trial.runner import Progress

    Content = Mapping[str, Any]

_NAMES = 27
_LABELS = 14

_NONE = Piece("–", "faint")


def zoo_page(
    nodes: Sequence[Content],
    good: Sequence[Content],
    told: Content,
    width: int = WIDTH,
) -> Page:
    """The page of an exam.

    Args:
        nodes: A record of each bad node.
        good: One of each good node.
        told: `left`, `seed`, `spent_ns`, `larger` (names).
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    found = sum(1 for node in nodes if node["found"])
    alarms = [node for node in good if node["found"]]
    missed = [node["name"] for node in nodes if not node["found"]]
    passed = not (missed or alarms or told["left"])
    page.field(
        "PASS" if passed else "FAIL",
        f"{found} of {len(nodes)} bad nodes found, {len(alarms)} of {len(good)} good",
        mark="good" if passed else "bad",
    )
    if missed:
        page.field("not found", ", ".join(missed), "bad")
    for node in alarms:
        page.field("false alarm", f"{node['name']}: {node['found']}", "bad")
    if told["larger"]:
        page.field("not smallest", ", ".join(told["larger"]), "bad")
    if told["left"]:
        page.field("stopped", f"{told['left']} nodes were not examined")
    if nodes:
        page.blank()
        table = Page(_NAMES, width)
        heads = ["breaks", "by", "cases", "rows"]
        table.table("bad node", heads, [_row(node) for node in nodes])
        page.lines += table.lines
    if good:
        page.blank()
        cases = ", ".join(
            f"{node['name']} {format_count(node['cases'])}" for node in good
        )
        page.field("good nodes", f"cases without a finding: {cases}")
    page.blank()
    spent = f"seed {told['seed']}, took {format_ns(told['spent_ns'], 3)}"
    page.field("exam", spent)
    return page


def _row(node: Content) -> tuple[str, list[Piece]]:
    """One bad node."""
    name = f"  {node['name']}"
    cases = Piece(format_count(node["cases"]))
    if not node["found"]:
        return name, [Piece("not found", "bad"), _NONE, cases, _NONE]
    rows = "?" if node["smallest"] is None else str(node["smallest"])
    more = node["known"] is not None and rows != str(node["known"])
    smallest = Piece(rows, "bad" if more else "")
    return name, [Piece(node["oracle"]), Piece(node["by"]), cases, smallest]


def bad_node_page(node: Content, width: int = WIDTH) -> Page:
    """One bad node, and what it did as a note."""
    page = Page(_LABELS, width)
    page.field(node["name"], node["sentence"])
    if node["finding"] is not None:
        note(page, node["finding"])
    return page


class ExamTold:
    """Looks on, and tells who was found last."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._drawing = Drawing(out) if out.is_terminal else None
        self._due_ns = PLAIN_NS

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `bench.trial.runner.Watcher`."""
        counts = progress.counts
        last = counts["last"]
        text = f"{counts['nodes']} of {counts['of']} nodes; {last['name']}"
        if self._drawing is not None:
            share = Piece(percent(progress.share), "good")
            self._drawing.draw([(share, Piece(f"  {text}"))])
        elif progress.spent_ns >= self._due_ns:
            self._due_ns = progress.spent_ns + PLAIN_NS
            self._out.write(f"{percent(progress.share)}  {text}\n")
            self._out.flush()

    def close(self) -> None:
        """It is over."""
        if self._drawing is not None:
            self._drawing.close()
