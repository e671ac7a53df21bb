"""The page of an edge: where it is and why first, then what was tried, as a ladder.

The ladder has a rung for each value that was tried, in their order, so that one sees
where good turns into bad, and whether it does so once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.page import WIDTH, Page, Piece
from bench.report.summary import kept, whereabouts
from bench.trial.edge.result import words_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.report.page import Role

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_STATES: dict[str, Role] = {"pass": "good", "marginal": "open", "fail": "bad"}

_LABELS = 20
_RUNGS = 40
"""Values that the ladder shows; of more those around the edge."""

_CAUSES = 4


def edge_page(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The page of one search.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    _verdict(page, verdict)
    page.blank()
    _asked(page, verdict, run)
    page.blank()
    if "window" in verdict:
        _windows(page, verdict)
    if "steps" in verdict:
        _steps(page, verdict)
    if "resets" in verdict:
        _resets(page, verdict)
    edge = verdict.get("edge") or verdict
    if "evidence" in edge:
        _evidence(page, edge)
    if "steps" not in verdict:
        _ladder(page, verdict)
    whereabouts(page, verdict, run)
    return page


def edge_brief(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The verdict, where it is kept, and how to do it again."""
    page = Page(_LABELS, width)
    page.field(verdict["verdict"], verdict["reason"], mark=_ROLES[verdict["verdict"]])
    kept(page, verdict, run)
    return page


def _verdict(page: Page, verdict: Content) -> None:
    """What was found."""
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    if verdict["signal"]:
        page.field("stopped", f"by {verdict['signal']}")
    edge = verdict.get("edge") or verdict
    if first := edge.get("gives_first"):
        page.field("gives first", first, "bad")
    label = "also"
    for note in verdict["notes"]:
        page.field(label, note)
        label = ""


def _asked(page: Page, verdict: Content, run: Content) -> None:
    """What was looked for, and with what."""
    with_ = ", ".join(
        f"{path} = {value}" for path, value in sorted(run["point"].items())
    )
    profile = f"{run['profile']} with {with_}" if with_ else run["profile"]
    if verdict["method"]:
        ours, theirs = words_of(verdict["method"])
        page.field("method", f"{ours} (RFC 2544, section {theirs})")
    if verdict["method"] != "reset":
        page.field(
            "varied",
            f"{verdict['vary']}, {verdict['from']} to {verdict['to']}, "
            f"{verdict['scale']}, to within {verdict['within']}",
        )
    parts = [profile]
    if verdict["trials"]:
        parts.append(f"{verdict['trials']} trials")
    repeated = run["repeats"] > 1 and verdict["method"] != "reset"
    if verdict["trials"] and run["drawn"] and repeated:
        parts.append(f"{run['repeats']} of each value, since {_and(run['drawn'])} vary")
    parts += [f"seed {verdict['seed']}", f"link {run['link']}"]
    page.field("trials", ", ".join(parts))


def _and(words: Sequence[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


# --- what was found -------------------------------------------------------------------


def _evidence(page: Page, edge: Content) -> None:
    """How sure both sides are."""
    evidence = edge["evidence"]
    rows = []
    for name, text in (
        ("last_good", edge["last_good_text"]),
        ("first_bad", edge["first_bad_text"]),
    ):
        side = evidence[name]
        cells = [
            Piece(text),
            Piece(f"{side['failed']} of {side['trials']}"),
            Piece(format_count(side["offered"])),
            Piece(format_count(side["lost"])),
            _rate(side["loss_upper"]),
        ]
        rows.append((f"  {name.replace('_', ' ')}", cells))
    heads = ("", "failed", "packets", "not shown", "loss at most")
    page.table("sure", heads, rows)
    text = f"bounds at {100 * evidence['confidence']:g} % confidence"
    if evidence["same_rate_chance"] is not None:
        chance = evidence["same_rate_chance"]
        near = "less than 1e-12" if chance < 1e-12 else f"{chance:.2g}"
        text += f"; the chance of such a difference if both lost at one rate is {near}"
    page.field("", text)
    if margin := edge.get("marginal"):
        between = f"{margin['first_text']} to {margin['last_text']}"
        page.field("  marginal", f"{between}: {margin['cause']}", "open")
    label = "causes"
    for cause in edge["causes"][:_CAUSES]:
        what = cause["what"].replace("_", " ")
        page.field(label, f"{format_count(cause['count'])} {what}: {cause['cause']}")
        label = ""
    page.blank()


def _windows(page: Page, verdict: Content) -> None:
    """The bauds that each node takes."""
    rows = []
    for node in [*verdict["nodes"], verdict["window"]]:
        centre = Piece("–", "faint")
        if node["centre_text"] is not None:
            centre = Piece(node["centre_text"])
        ends = [
            Piece(
                node[f"{side}_text"] + ("" if node[f"{side}_bad"] is not None else "+")
            )
            for side in ("low", "high")
        ]
        rows.append((f"  {node['name']}", [*ends, centre]))
    page.table("window", ("from", "to", "centre"), rows)
    page.blank()


def _steps(page: Page, verdict: Content) -> None:
    """The loss at each step."""
    rows = [
        (
            f"  {step['frame_rate_hz']} frames/s",
            [
                Piece(f"{100 * step['share_of_most']:.0f} %"),
                Piece(f"{100 * step['intended_load']:.1f} %"),
                Piece(format_count(step["offered"])),
                Piece(format_count(step["shown"])),
                _rate(step["loss_rate"]),
            ],
        )
        for step in verdict["steps"]
    ]
    page.table("loss", ("of the most", "load", "offered", "shown", "loss"), rows)
    page.blank()


_RESETS = {
    "reset": "after a reset",
    "power": "after 10 s off",
    "command": "after the command",
}


def _resets(page: Page, verdict: Content) -> None:
    """How long each node showed nothing."""
    heads = [_RESETS[reset["way"]] for reset in verdict["resets"]]
    rows = []
    for index, node in enumerate(verdict["resets"][0]["nodes"]):
        times = [reset["nodes"][index]["dark_ns"] for reset in verdict["resets"]]
        cells = [
            Piece("never", "bad") if ns is None else Piece(format_ns(ns))
            for ns in times
        ]
        rows.append((f"  {node['name']}", cells))
    page.table("not shown for", heads, rows)
    page.blank()


def _rate(rate: float | None) -> Piece:
    return Piece("–", "faint") if rate is None else Piece(f"{rate:.3g}")


# --- the ladder -----------------------------------------------------------------------


def _ladder(page: Page, verdict: Content) -> None:
    """A rung for each value, in their order."""
    best: dict[float, Content] = {}
    for one in verdict["values"]:
        known = best.get(one["value"])
        if known is None or one["deciding"]:
            best[one["value"]] = one
    rungs = [best[value] for value in sorted(best)]
    if not rungs:
        return
    rows = []
    for one in rungs[:_RUNGS]:
        role = _STATES.get(one["state"], "faint")
        state = one["state"] + (" *" if one["deciding"] else "")
        loss = _rate(one["loss_rate"])
        rows.append((f"  {one['text']}", [Piece(state.ljust(10), role), loss]))
    page.table("tried", ("", "loss"), rows)
    if len(rungs) > _RUNGS:
        page.field("", f"and {len(rungs) - _RUNGS} more, in verdict.json")
    if any(one["deciding"] for one in rungs):
        page.field("", "* by a long look")
    page.blank()
