"""The page of a comparison: what else changed first, then whether it is worse, and why.

A row a kind of fault and a row a quantile of latency, before and after side by side
with their intervals.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.page import WIDTH, Page, Piece

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.report.page import Role

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"worse": "bad", "not worse": "good", "cannot say": "open"}

_LABELS = 20
_CHANGES_SHOWN = 10
_CAUSES_SHOWN = 8

_LATENCIES = {"shown": "to shown", "first_bit": "to first bit"}


def compare_page(made: Content, width: int = WIDTH) -> Page:
    """The page.

    Args:
        made: A comparison, as strict JSON.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    _changed(page, made)
    _outcome(page, made)
    for name in ("before", "after"):
        run = made[name]
        parts = [run["run"], f"{run['what']} of {run['profile']}", str(run["verdict"])]
        page.field(name, ", ".join(parts))
    page.blank()
    if made.get("rates"):
        _rates(page, made)
    if made.get("latency"):
        _latency(page, made["latency"])
    if made.get("causes"):
        _causes(page, made["causes"])
    if made.get("steps"):
        _steps(page, made["steps"])
    page.blank()
    label = "notes"
    for note in made["notes"]:
        page.field(label, note)
        label = ""
    return page


def compare_brief(made: Content, width: int = WIDTH) -> Page:
    """The outcome alone, and what else changed."""
    page = Page(_LABELS, width)
    _changed(page, made)
    _outcome(page, made)
    return page


def _outcome(page: Page, made: Content) -> None:
    word = made["outcome"]
    page.field(word.upper(), made["reason"], mark=_ROLES[word])
    others = [
        text for text in [*made["worse"], *made["void"]] if text != made["reason"]
    ]
    label = "also"
    for text in others:
        page.field(label, text)
        label = ""
    page.blank()


def _changed(page: Page, made: Content) -> None:
    """Whatever else is not the same."""
    label = "changed"
    for one in made["changed"][:_CHANGES_SHOWN]:
        before, after = (one[word] or "not stated" for word in ("before", "after"))
        what = one["of"] if one["what"] == one["of"] else f"{one['of']} {one['what']}"
        page.field(label, f"{what}: {before}, then {after}", "open")
        label = ""
    if (more := len(made["changed"]) - _CHANGES_SHOWN) > 0:
        page.field("", f"and {more} more, with --json")
    if made["changed"]:
        page.blank()


def _rates(page: Page, made: Content) -> None:
    """Faults, before and after."""
    told = [
        one
        for one in made["rates"]
        if one["before"] or one["after"] or one["what"] == "lost"
    ]
    rows = [(f"  {one['what'].replace('_', ' ')}", _rate_cells(one)) for one in told]
    heads = ("before", "interval", "after", "interval", "odds", "chance")
    page.table("faults", heads, rows)
    page.field(
        "",
        f"intervals at {100 * made['confidence']:g} %; chance of so many after if the "
        "rate were the same",
    )
    page.blank()


def _rate_cells(one: Content) -> list[Piece]:
    """The cells of one kind of fault."""
    cells = []
    for name in ("before", "after"):
        role: Role = "bad" if name == "after" and one["worse"] else ""
        cells.append(Piece(format_count(one[name]), role))
        low, high = one[f"{name}_low"], one[f"{name}_high"]
        cells.append(Piece(f"{low:.2g}..{high:.2g}", "faint"))
    odds = f"{one['odds_low']:.2g}.."
    odds += "" if one["odds_high"] is None else f"{one['odds_high']:.2g}"
    return [*cells, Piece(odds), Piece(f"{one['chance']:.2g}")]


def _latency(page: Page, told: Sequence[Content]) -> None:
    """Quantiles, before and after."""
    rows = []
    for one in told:
        more = f"{_signed(one['low_ns'])}..{_signed(one['high_ns'])}"
        role: Role = "bad" if one["worse"] else ""
        cells = [
            Piece(format_ns(one["before_ns"])),
            Piece(format_ns(one["after_ns"]), role),
            Piece(more, "faint"),
        ]
        rows.append((f"  {_LATENCIES[one['what']]} {one['quantile']}", cells))
    page.table("latency", ("before", "after", "longer by"), rows)
    page.blank()


def _signed(ns: int) -> str:
    return f"{'−' if ns < 0 else ''}{format_ns(abs(ns), 3)}"


def _causes(page: Page, causes: Sequence[Content]) -> None:
    """Causes, those that are new first."""
    label = "causes"
    for one in causes[:_CAUSES_SHOWN]:
        state = "new: " if one["new"] else "gone: " if one["gone"] else ""
        what = one["what"].replace("_", " ")
        text = f"{state}{what}, {one['cause']}: {one['after']}, before {one['before']}"
        page.field(label, text, "bad" if one["worse"] else "")
        label = ""
    if (more := len(causes) - _CAUSES_SHOWN) > 0:
        page.field("", f"and {more} more, with --json")


def _steps(page: Page, steps: Sequence[Content]) -> None:
    """Steps of two acceptances."""
    rows = [
        (
            f"  {one['name']}",
            [
                Piece(one["before"] or "–"),
                Piece(_margin(one["before_margin"]), "faint"),
                Piece(one["after"] or "–", "bad" if one["worse"] else ""),
                Piece(_margin(one["after_margin"]), "faint"),
            ],
        )
        for one in steps
    ]
    page.table("steps", ("before", "margin", "after", "margin"), rows)


def _margin(margin: float | None) -> str:
    return "" if margin is None else f"{margin:.3g} ×"
