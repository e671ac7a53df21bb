"""A drive when it is over: the verdict, every mark, and what became of the packets.

Made from `verdict.json` and `run.json` alone.
"""

from __future__ import annotations

import shlex
import textwrap
from typing import TYPE_CHECKING, Any

from bench.base.grid import NS_PER_S
from bench.base.units import format_count, format_ns
from bench.report.drive.words import ODD, became, counted
from bench.report.link import link_fields
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.summary import kept, whereabouts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.report.page import Role

    Content = Mapping[str, Any]

_LABELS = 16

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_MARKS_SHOWN = 60
"""Marks that the page lists; the ledger and the script have all of them."""

_LEAST_ROOM = 16
"""Columns for what was done, however narrow the page is."""

_ENDED = {
    "asked": "it was ended by hand",
    "time": "its time was over",
    "stopped": "it was stopped",
    "lost": "the link was lost",
}


def drive_page(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The page of a drive.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    for number, link in enumerate(verdict["links"]):
        texts = [*link["failures"], *link["void"], *link.get("notes", ())]
        for text in dict.fromkeys(texts):
            if text != verdict["reason"]:
                page.field("also" if number == 0 else f"link {number + 1}", text)
    page.blank()
    page.field("drive", _driven(verdict, run))
    if verdict["packets"] is not None:
        page.field("packets", became(verdict["packets"], ended=True))
    _marks(page, verdict)
    for number, link in enumerate(verdict["links"]):
        name = run["link"]
        if number:
            name += ", taken up anew"
            if link["rested_ns"] is not None:
                rested = glued(format_ns(link["rested_ns"], 3))
                name += f" after the line had rested {rested}"
        link_fields(page, link, name)
    _afterwards(page, verdict, run)
    return page


def drive_brief(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The verdict, where it is kept, and how to do it again."""
    page = Page(_LABELS, width)
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    kept(page, verdict, _with_script(verdict, run))
    return page


def _driven(verdict: Content, run: Content) -> str:
    """What was driven, for how long, and how it ended."""
    parts = [f"{run['profile']} over {run['link']}"]
    if run["point"]:
        parts += [f"{path} = {value}" for path, value in run["point"].items()]
    parts.append(f"{glued(format_ns(verdict['trial_ns'], 4))} on the line")
    parts.append(f"{counted(verdict['characters'])} characters")
    parts.append(_ENDED[verdict["ended"]])
    return ", ".join(parts)


def _marks(page: Page, verdict: Content) -> None:
    """A row for each mark: when, what became of the packets after it, what it was."""
    segments = {one["mark"]: one for one in verdict["segments"]}
    if not segments:
        return
    page.blank()
    heads = ("at", "offered", "shown", "lost", "other", "what was done")
    widths = (11, 9, 9, 7, 7)
    cells = [
        Piece(head.rjust(w), "faint") for head, w in zip(heads, widths, strict=False)
    ]
    page.row("mark", [*cells, Piece(f"  {heads[-1]}", "faint")])
    rows = [{"mark": 0, "at_ns": 0, "asked": "the beginning"}, *verdict["marks"]]
    for row in rows[:_MARKS_SHOWN]:
        counts = segments.get(row["mark"])
        texts = [f"{row['at_ns'] / NS_PER_S:.3f} s", *_cells(counts)]
        roles = ["", "", "", *_bad(counts)]
        pieces = [
            Piece(text.rjust(w), role)
            for text, w, role in zip(texts, widths, roles, strict=True)
        ]
        room = max(_LEAST_ROOM, page.width - page.labels - sum(widths) - 2)
        asked, *more = textwrap.wrap(row["asked"], room) or [""]
        page.row(f"  {row['mark']}", [*pieces, Piece(f"  {asked}")], "")
        for rest in more:
            page.row("", [Piece(" " * (sum(widths) + 4)), Piece(rest)], "")
    if len(rows) > _MARKS_SHOWN:
        page.field("", f"and {len(rows) - _MARKS_SHOWN} marks more")


def _cells(counts: Content | None) -> list[str]:
    """Offered, shown, lost and whatever else went wrong."""
    if counts is None:
        return [""] * 4
    other = [counts[word] for word in ODD[1:]]
    known = [count for count in other if count is not None]
    numbers = [counts["offered"], counts["shown"], counts["lost"]]
    numbers.append(sum(known) if known else None)
    return ["–" if one is None else format_count(one) for one in numbers]


def _bad(counts: Content | None) -> list[Role]:
    """How the last two cells look."""
    if counts is None:
        return ["", ""]
    other = sum(counts[word] or 0 for word in ODD[1:])
    return ["bad" if counts["lost"] else "", "bad" if other else ""]


def _afterwards(page: Page, verdict: Content, run: Content) -> None:
    """Where it is kept, how to do it again, and how to make a sweep of it."""
    whereabouts(page, verdict, _with_script(verdict, run))
    if words := sweep_words(verdict, run):
        page.whole("as a sweep", shlex.join(words))


def _with_script(verdict: Content, run: Content) -> dict[str, Any]:
    """The facts of a run whose command does what was done by hand."""
    words = list(run.get("command") or ["nightbench", "drive", run["profile"]])
    script = f"{verdict['run']}/drive.txt"
    return {**run, "command": [*words, "--script", script]}


def sweep_words(verdict: Content, run: Content) -> list[str]:
    """The command that sweeps the value changed most over all that it was.

    Nothing where no value was changed.
    """
    tried: dict[str, list[str]] = {}
    last: dict[str, str] = {}
    times: dict[str, int] = {}
    for mark in verdict["marks"]:
        for path, before, after in mark["changed"]:
            values = tried.setdefault(path, [before])
            values += [after] if after not in values else []
            times[path] = times.get(path, 0) + 1
            last[path] = after
    # A value that was not written is no value of an axis.
    axes = {path: [v for v in values if v] for path, values in tried.items()}
    axes = {path: values for path, values in axes.items() if len(values) > 1}
    if not axes:
        return []
    axis = max(axes, key=lambda path: (times[path], len(axes[path])))
    words = ["nightbench", "sweep", run.get("named") or run["profile"]]
    sets = dict(run["point"]) | {p: v for p, v in last.items() if p != axis and v}
    for path, value in sets.items():
        if path != axis:
            words += ["--set", f"{path}={value}"]
    return [*words, "--over", f"{axis}={'; '.join(axes[axis])}"]
