"""The screen of a budget: what gives way first, then part by part, a row a line.

A row holds a value, what it may be and what is left, in the line's unit and as a share
of the limit.  A broken limit is marked, a passed rule of thumb is called a caution.
What could not be worked out is gathered at the end, with what is missing.
"""

from __future__ import annotations

from textwrap import shorten, wrap
from typing import TYPE_CHECKING

from bench.base.units import format_count, format_ns, format_rate, format_share
from bench.budget import UnsolvableError
from bench.report.page import LEAST, WIDTH, Page, Piece

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.budget import Budget, BudgetLine, Solution
    from bench.report.page import Role

_PART, _NAME, _VALUE, _LIMIT, _MARGIN, _ROOM = 11, 22, 12, 13, 13, 8
"""Widths of the columns: 79 of 80."""

_WORDS = "words of "
"""How lines begin that say what a buffer of port words takes at other widths."""

_ROW = _NAME + _VALUE + _LIMIT + _MARGIN + _ROOM
_NOTES = _PART + _ROW + 24
"""From so wide a page on, rows carry their notes."""


def budget_page(
    budget: Budget,
    width: int = WIDTH,
    *,
    formulas: bool = False,
    solutions: Sequence[Solution | UnsolvableError] = (),
) -> Page:
    """The page of a budget.

    Args:
        budget: The budget.
        width: Columns to write for.
        formulas: Whether every row has its formula and its source.
        solutions: What was solved for; they come first.
    """
    page = Page(_PART, width)
    _head(page, budget)
    for solution in solutions:
        page.blank()
        if isinstance(solution, UnsolvableError):
            page.field("solved", solution.fault.what, "bad")
            page.field("", f"{solution.why} gives way whatever it is")
        else:
            _solved(page, solution)
    page.blank()
    page.row("", [Piece(_cells("", "value", "limit", "left", ""), "faint")])
    lines = [line for line in budget.lines if line.value is not None or line.unbounded]
    shown = [line for line in lines if not line.label.startswith(_WORDS)]
    part = whose = ""
    for line in shown:
        if line.whose != whose and line.whose:
            page.row("nodes", [Piece(line.whose)])
        label = "" if (line.part, line.whose) == (part, whose) else line.part
        part, whose = line.part, line.whose
        _row(page, label, line)
        if formulas:
            _formula(page, line)
        if line.label == "RAM":
            _words(page, [one for one in lines if one.label.startswith(_WORDS)], line)
    _missing(page, [line for line in budget.lines if line not in lines])
    return page


# --- the head -------------------------------------------------------------------------


def _head(page: Page, budget: Budget) -> None:
    """Whether it fits, and what gives way first."""
    first = budget.first
    if budget.fits:
        text = "every limit is kept"
        if first is not None:
            text = f"{first.name} gives way first: {_left(first)}"
        page.field("FITS", f"{budget.profile}: {text}", "good", "good")
    else:
        broken = [line for line in budget.judged if not line.holds]
        count = f"{len(broken)} limits are passed" if len(broken) > 1 else "passed"
        what = first.name if first is not None else ""
        page.field(
            "NO FIT",
            f"{budget.profile}: {what} gives way first, {_over(first)}; {count}"
            if len(broken) > 1
            else f"{budget.profile}: {what} gives way, {_over(first)}",
            "bad",
            "bad",
        )
    page.field("", budget.summary, "faint")


def _left(line: BudgetLine) -> str:
    """What is left of the tightest line."""
    if line.unit == "share" and line.limit == 1:
        return f"{format_share(max(0.0, line.room or 0.0), 2)} left"
    margin = _quantity(line.margin, line.unit)
    return f"{margin} left, {_rounded_down(line.room or 0.0)} of its limit"


def _over(line: BudgetLine | None) -> str:
    """How far the tightest line is past its limit."""
    if line is None:
        return ""
    if line.value is None:
        return line.missing
    verb = "at most" if line.sense == "most" else "at least"
    return (
        f"{_quantity(line.value, line.unit)} where {verb} "
        f"{_quantity(line.limit, line.unit)} is allowed"
    )


# --- rows -----------------------------------------------------------------------------


def _row(page: Page, label: str, line: BudgetLine) -> None:
    """One line."""
    role: Role = ""
    if line.holds is False:
        role = "open" if line.caution else "bad"
    limit = ""
    if line.limit is not None:
        sign = "<" if line.sense == "most" else ">"
        limit = f"{sign} {_quantity(line.limit, line.unit)}"
    value = _quantity(line.value, line.unit) if line.value is not None else "no bound"
    room = {"bad": "◂", "open": "caution"}.get(role, _room(line))
    margin = _quantity(line.margin, line.unit)
    cells = [Piece(_cells(line.label, value, limit, margin, room), role)]
    if page.width >= _NOTES and line.note:
        note = shorten(line.note, page.width - _PART - _ROW - 2, placeholder=" …")
        cells.append(Piece(f"  {note}", "faint"))
    page.row(label, cells)


def _room(line: BudgetLine) -> str:
    """The share of its limit that is left, unless the margin says that already."""
    if line.room is None or (line.unit == "share" and line.limit == 1):
        return ""
    return _rounded_down(line.room)


def _rounded_down(share: float) -> str:
    """A share of a limit: 100 % is all of it."""
    percent = 100 * max(0.0, share)
    return f"{percent:.1f} %" if percent < 10 else f"{int(percent)} %"


def _cells(name: str, value: str, limit: str, margin: str, room: str) -> str:
    """The columns of a row; those of figures are flush right."""
    name = name.ljust(_NAME)
    text = value.rjust(_VALUE - 1 - max(0, len(name) - _NAME))
    return (
        f"{name}{text} {limit.rjust(_LIMIT)}{margin.rjust(_MARGIN)}{room.rjust(_ROOM)}"
    )


def _formula(page: Page, line: BudgetLine) -> None:
    """How a line comes about, whose formula it is, and what else is to be said."""
    room = max(page.width - _PART - 4, LEAST // 2)
    texts = [line.formula]
    if line.source:
        texts.append(f"({line.source})")
    if line.note and page.width < _NOTES:
        texts.append(line.note)
    for text in texts:
        for part in wrap(text, room, break_long_words=False):
            page.row("", [Piece(f"  {part}", "faint")])


def _words(page: Page, lines: Sequence[BudgetLine], total: BudgetLine) -> None:
    """What one buffer would take at every width that serves."""
    sizes = [
        f"{format_count(int(line.value))} at {line.label.removeprefix(_WORDS)}"
        for line in lines
        if line.value is not None and line.whose == total.whose
    ]
    if sizes:
        text = f"a buffer of port words: {', '.join(sizes)}"
        for part in wrap(text, max(page.width - _PART, LEAST // 2)):
            page.row("", [Piece(part, "faint")])


def _missing(page: Page, lines: Sequence[BudgetLine]) -> None:
    """What could not be worked out, and for want of what."""
    if not lines:
        return
    page.blank()
    by_reason: dict[str, list[str]] = {}
    for line in lines:
        by_reason.setdefault(line.missing or "not known", []).append(line.name)
    texts = [f"{', '.join(names)}: {why}" for why, names in by_reason.items()]
    page.field("not stated", "; ".join(texts), "faint")


# --- solved ---------------------------------------------------------------------------


def _solved(page: Page, found: Solution) -> None:
    """Between which values it fits."""
    now = f"; now {found.written(found.now)}" if found.now is not None else ""
    if found.value is None:
        page.field("solved", f"nothing limits {found.path}{now}", "good")
    else:
        end = "lowest" if found.downwards else "highest"
        text = f"{found.path}: {end} {found.text}, limited by {found.limited_by}{now}"
        page.field("solved", text, "good")
    other = found.highest if found.downwards else found.lowest
    by = found.highest_by if found.downwards else found.lowest_by
    end = "highest" if found.downwards else "lowest"
    if other is not None:
        page.field("", f"{end} {found.written(other)}, limited by {by}")
    else:
        page.field("", f"no {end} value: nothing limits it that way", "faint")


# --- quantities -----------------------------------------------------------------------


def _quantity(value: object, unit: str) -> str:
    """A value as a person reads it; "" for none."""
    if value is None:
        return ""
    number = float(value)  # type: ignore[arg-type]
    if unit == "ns":
        return format_ns(number)
    if unit == "share":
        return format_share(number, 3)
    if unit in ("Hz", "baud"):
        return format_rate(number, unit)
    if unit == "frames/s":
        return f"{number:.4g} /s"
    if unit == "mA":
        return f"{number / 1000:.4g} A"
    if unit == "bit m/s":
        return f"{number:.3g}"
    whole = number == int(number) and abs(number) >= 1000
    text = format_count(int(number)) if whole else f"{number:.4g}"
    return f"{text} {_UNITS.get(unit, unit)}".rstrip()


_UNITS = {
    "characters": "ch",
    "octets": "oct",
    "unit loads": "UL",
    "nodes": "",
    "clocks": "",
    "frames": "",
}
"""Units whose names are too long for a column, or said by the line's own name."""
