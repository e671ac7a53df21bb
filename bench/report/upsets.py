"""The page of upsets: the verdict first, then what every node did after each of them.

Made from `verdict.json` and `run.json` alone.  A row of an upset says how long
receivers took to be in step with the sender again; the rows of its nodes at which
packet each showed again, beside the packet at which it had to, both counted from when
the line was good.  Of several instants the slowest return is told.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.summary import kept, whereabouts
from bench.report.terminal import PLAIN_NS, percent, trial_times

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from bench.report.page import Role
    from bench.report.terminal import Out
    from bench.trial.runner import Progress

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_LABELS = 20
_NODES_SHOWN = 12
"""Nodes that are listed for an upset; of more only the slowest, and those that fail."""

_FAULTS_SHOWN = 6

_IF_ANY = (("halves", "half"), ("dark", "dark"), ("by_chance", "chance"))
"""Counts that have a column only where there are any, and its head."""

_NOTHING = Piece("", "faint")


def upset_page(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The page of all upsets.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    _verdict(page, verdict)
    page.blank()
    page.field("upsets", _tried(verdict, run))
    if verdict["upsets"]:
        page.blank()
        _table(page, verdict["upsets"])
    if verdict["notes"]:
        page.blank()
    label = "notes"
    for note in verdict["notes"]:
        page.field(label, note)
        label = ""
    whereabouts(page, verdict, run)
    return page


def upset_brief(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The verdict, where it is kept, and how to do it again."""
    page = Page(_LABELS, width)
    page.field(verdict["verdict"], verdict["reason"], mark=_ROLES[verdict["verdict"]])
    kept(page, verdict, run)
    return page


def _verdict(page: Page, verdict: Content) -> None:
    """The verdict, and what else is wrong or says nothing."""
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    others = [*verdict["failures"], *verdict["void"]]
    others = [text for text in others if text != verdict["reason"]]
    label = "also"
    for text in others[:_FAULTS_SHOWN]:
        page.field(label, text)
        label = ""
    if len(others) > _FAULTS_SHOWN:
        page.field("", f"and {len(others) - _FAULTS_SHOWN} more, in verdict.json")
    if verdict["signal"]:
        page.field("stopped", f"by {verdict['signal']}; the rest was not tried")


def _tried(verdict: Content, run: Content) -> str:
    """What was on the line."""
    parts = [run["profile"]]
    if run["point"]:
        parts[0] += " with " + ", ".join(
            f"{path} = {value}" for path, value in sorted(run["point"].items())
        )
    parts.append(f"{verdict['trials']} trials")
    parts.append(f"{glued(format_ns(verdict['trial_ns'], 3))} on the line")
    parts.append(f"{format_count(verdict['characters'])} characters")
    parts += [f"seed {verdict['seed']}", f"link {run['link']}"]
    return ", ".join(parts)


# --- on the way -----------------------------------------------------------------------


class TrialsTold:
    """Looks on, and tells in a plain line now and then how many trials are over."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._due_ns = PLAIN_NS

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `bench.trial.runner.Watcher`."""
        if progress.spent_ns < self._due_ns:
            return
        self._due_ns = progress.spent_ns + PLAIN_NS
        counts = progress.counts
        times = trial_times(progress.trial_ns, progress.spent_ns)
        trials = f"{counts['trials']} of {counts['of']} trials"
        self._out.write(f"{percent(progress.share)}  {trials}, {times}\n")
        self._out.flush()


# --- the table ------------------------------------------------------------------------


def _table(page: Page, upsets: Sequence[Content]) -> None:
    """A row for each upset, and one below it for each of its nodes."""
    nodes = [node for one in upsets for node in one["nodes"]]
    extra = [pair for pair in _IF_ANY if any(node[pair[0]] for node in nodes)]
    heads = ["", "packet/bound", "after", "unseen", "wrong"]
    heads += [head for _, head in extra]
    rows: list[tuple[str, list[Piece]]] = []
    for one in upsets:
        blanks = [_NOTHING] * (2 + len(extra))
        word = one["verdict"]
        verdict = Piece(word, _ROLES[word])
        step = "" if one["in_step_ns"] is None else "in step"
        rows.append(
            (f"  {one['upset']}", [verdict, Piece(step, "faint"), _step(one), *blanks])
        )
        rows += [
            (f"    {node['name']}", _cells(node, [word for word, _ in extra]))
            for node in _listed(one["nodes"])
        ]
    page.table("shows again", heads, rows)
    if nodes and len(upsets[0]["nodes"]) > _NODES_SHOWN:
        page.field("", f"{len(upsets[0]['nodes'])} nodes; the others were no slower")


def _step(upset: Content) -> Piece:
    """How long it took receivers to be in step."""
    step_ns = upset["in_step_ns"]
    return Piece("" if step_ns is None else format_ns(step_ns, 3), "faint")


def _cells(node: Content, extra: Sequence[str]) -> list[Piece]:
    """The cells of one node."""
    bound = "–" if node["bound"] is None else str(node["bound"])
    again = Piece(f"{node['first']}/{bound}")
    after = Piece("–", "faint")
    if node["first"] is None:
        again = Piece("never", "bad")
    else:
        after = Piece(format_ns(node["after_ns"], 3))
        if node["missed"]:
            again = Piece(again.text, "bad")
    wrong = Piece(str(node["wrong"]), "bad" if node["wrong"] else "")
    counts = [Piece(str(node[word])) for word in extra]
    return [_NOTHING, again, after, Piece(str(node["unseen"])), wrong, *counts]


def _listed(nodes: Sequence[Content]) -> Sequence[Content]:
    """The nodes that are listed."""
    if len(nodes) <= _NODES_SHOWN:
        return nodes
    slowest = max(nodes, key=lambda node: (node["first"] or 0, node["after_ns"] or 0))
    faulty = [node for node in nodes if _faulty(node)]
    return (faulty or [slowest])[:_NODES_SHOWN]


def _faulty(node: Content) -> bool:
    return node["first"] is None or bool(node["missed"] or node["wrong"])
