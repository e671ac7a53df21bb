"""The blocks of a report in HTML."""

from __future__ import annotations

import json
from html import escape
from typing import TYPE_CHECKING, Any

from bench.base.units import format_count
from bench.report.night.blocks import (
    Bars,
    Cell,
    Chart,
    Facts,
    Fold,
    Grid,
    Heading,
    Listing,
    Ticks,
    Words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.report.night.blocks import Block, Opening
    from bench.report.page import Line

_SIGNS = {"good": "●", "bad": "✕", "open": "○"}
"""The shape of a verdict, beside its colour."""

_MANY = 3
"""Columns beyond which a table may have to scroll by itself."""


def opening_html(opening: Opening) -> str:
    """The verdict, what else is to be said, and the few figures."""
    sign = _SIGNS.get(opening.role, "○")
    more = "".join(f"<li>{escape(text)}</li>\n" for text in opening.more)
    facts = "".join(
        f"<div><dt>{escape(label)}</dt><dd>{escape(text)}</dd></div>\n"
        for label, text in opening.facts
    )
    figures = "".join(
        f"<div{_class(role)}><dt>{escape(label)}</dt><dd>{escape(figure)}</dd></div>\n"
        for label, figure, role in opening.figures
    )
    return (
        f'<section id="verdict" class="opening {opening.role}" '
        'aria-labelledby="verdict-word">\n'
        f'<h2 id="verdict-word"><span aria-hidden="true">{sign}</span> '
        f"{escape(opening.word)}</h2>\n"
        f'<p class="sentence">{escape(_sentence(opening.sentence))}</p>\n'
        + (f'<ul class="more">\n{more}</ul>\n' if more else "")
        + (f'<dl class="sure">\n{facts}</dl>\n' if facts else "")
        + (f'<dl class="figures">\n{figures}</dl>\n' if figures else "")
        + "</section>\n"
    )


def _sentence(text: str) -> str:
    """A sentence with its full stop."""
    return text if text.endswith((".", "!", "?")) else f"{text}."


def block_html(block: Block) -> str:
    """One block."""
    if isinstance(block, Words):
        return f"<p>{escape(_sentence(block.text))}</p>\n"
    if isinstance(block, Facts):
        return _facts(block)
    if isinstance(block, Grid):
        return _grid(block)
    if isinstance(block, Bars):
        return _bars(block)
    if isinstance(block, Chart):
        return _chart(block)
    if isinstance(block, Ticks):
        return _ticks(block)
    if isinstance(block, Heading):
        under = f"<p>{escape(_sentence(block.under))}</p>\n" if block.under else ""
        return f"<h3{_class(block.role)}>{escape(block.text)}</h3>\n{under}"
    if isinstance(block, Fold):
        inside = "".join(block_html(one) for one in block.blocks)
        printed = " data-print" if block.printed else ""
        title = escape(block.title)
        return f"<details{printed}><summary>{title}</summary>\n{inside}</details>\n"
    return _listing(block)


def _class(role: str) -> str:
    return f' class="{role}"' if role else ""


def _facts(facts: Facts) -> str:
    rows = "".join(
        f"<div><dt>{escape(label)}</dt><dd>{escape(text)}</dd></div>\n"
        for label, text in facts.rows
    )
    return f'<dl class="facts">\n{rows}</dl>\n'


def _listing(listing: Listing) -> str:
    what, lines = escape(listing.what), escape("\n".join(listing.lines))
    return (
        f'<figure class="listing"><figcaption>{what}</figcaption>\n'
        f'<pre tabindex="0" role="group" aria-label="{what}">{lines}</pre></figure>\n'
    )


# --- tables ---------------------------------------------------------------------------


def _grid(grid: Grid) -> str:
    left = {0, *grid.left}
    heads = "".join(
        f'<th scope="col"{_side(k, left)}>{escape(head)}</th>'
        for k, head in enumerate(grid.heads)
    )
    rows = "".join(_row(row, left) for row in grid.rows)
    many = " many" if len(grid.heads) > _MANY else ""
    return _wide(
        grid.what,
        f'<table class="grid{many}"><caption>{escape(grid.what)}</caption>\n'
        f"<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}</tbody></table>",
    )


def _wide(what: str, table: str) -> str:
    """A table in a frame that scrolls by itself where the screen is narrow."""
    label = escape(what)
    return (
        f'<div class="wide" role="group" tabindex="0" aria-label="{label}">'
        f"{table}</div>\n"
    )


def _row(row: Sequence[Cell | str], left: set[int]) -> str:
    cells = [cell if isinstance(cell, Cell) else Cell(cell) for cell in row]
    first, *rest = cells
    others = "".join(
        f"<td{_classes(cell.role, k, left)}>{_text(cell)}</td>"
        for k, cell in enumerate(rest, start=1)
    )
    return f'<tr><th scope="row"{_class(first.role)}>{_text(first)}</th>{others}</tr>\n'


def _text(cell: Cell) -> str:
    if cell.role == "bad" and cell.text:
        return f"<mark>{escape(cell.text)}</mark>"
    return escape(cell.text)


def _side(column: int, left: set[int]) -> str:
    return "" if column in left else ' class="n"'


def _classes(role: str, column: int, left: set[int]) -> str:
    words = " ".join(filter(None, (role, "" if column in left else "n")))
    return f' class="{words}"' if words else ""


def _bars(bars: Bars) -> str:
    most = max((count for _, count, _ in bars.rows), default=0) or 1
    noted = any(note for _, _, note in bars.rows)
    rows = "".join(_bar(*row, most, noted=noted) for row in bars.rows)
    heads = "".join(
        f'<th scope="col"{side}>{escape(head)}</th>'
        for head, side in zip(bars.heads, ("", ' class="n"', ""), strict=True)
        if noted or head != bars.heads[2]
    )
    return _wide(
        bars.what,
        f'<table class="bars"><caption>{escape(bars.what)}</caption>\n'
        f"<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}</tbody></table>",
    )


def _bar(name: str, count: int, note: str, most: int, *, noted: bool) -> str:
    length = max(0.4, min(100.0, 100 * count / most))
    return (
        f'<tr><th scope="row">{escape(name)}<span class="bar" aria-hidden="true" '
        f'style="width:{length:.1f}%"></span></th>'
        f'<td class="n">{escape(format_count(count))}</td>'
        + (f"<td>{escape(note)}</td>" if noted else "")
        + "</tr>\n"
    )


# --- drawings -------------------------------------------------------------------------


def _chart(chart: Chart) -> str:
    """A drawing: its words, its keys, the hands that move it, and its place."""
    name, what = chart.name, escape(chart.what)
    zooms = chart.span_s is not None
    keys = "".join(
        f'<li><span class="key {key.sign}"></span>{escape(key.text)}</li>\n'
        for key in chart.keys
    )
    role = 'role="application" tabindex="0"' if zooms else 'role="img"'
    span = f' data-span="{chart.span_s!r}"' if zooms else ""
    hint = f" {name}-hint" if zooms else ""
    return (
        f'<figure class="chart" id="{name}-chart">\n<figcaption><h3>{what}</h3>\n'
        f'<p id="{name}-words">{escape(chart.summary)}</p></figcaption>\n'
        + (f'<ul class="keys" aria-hidden="true">\n{keys}</ul>\n' if keys else "")
        + (_hands() if zooms else "")
        + f'<div class="plot" {role} aria-label="{what}" '
        f'aria-describedby="{name}-words{hint}" data-figure="{name}-figure"{span} '
        f'style="height:{chart.height}px"></div>\n{_hint(name) if zooms else ""}'
        f'<script type="application/json" id="{name}-figure">'
        f"{chart.figure()}</script>\n"
        "<noscript><p>This drawing needs scripts; its figures stand in the table."
        "</p></noscript>\n</figure>\n" + (_grid(chart.table) if chart.table else "")
    )


_HANDS = (
    ("in", "Closer"),
    ("out", "Wider"),
    ("back", "Earlier"),
    ("on", "Later"),
    ("all", "Whole run"),
)


def _hands() -> str:
    buttons = "".join(
        f'<button type="button" data-do="{what}">{text}</button>'
        for what, text in _HANDS
    )
    return (
        '<div class="hands" role="group" aria-label="Part of the run that is shown">'
        f'{buttons}<output aria-live="polite">the whole run</output></div>\n'
    )


def _hint(name: str) -> str:
    return (
        f'<p class="hint" id="{name}-hint">Drag to look closer, double-click for the '
        "whole run. By keyboard, once the drawing is chosen: + and − for closer and "
        "wider, arrows for earlier and later, 0 for the whole.</p>\n"
    )


def _ticks(ticks: Ticks) -> str:
    what, words = escape(ticks.what), escape(ticks.words)
    return (
        f'<figure class="ticks"><figcaption>{what}</figcaption>\n'
        f'<div role="img" aria-label="{words}"><pre aria-hidden="true">'
        f"expected  {_pieces(ticks.expected)}\nseen      {_pieces(ticks.seen)}</pre>"
        "</div></figure>\n"
    )


def _pieces(line: Line) -> str:
    return "".join(
        f"<span{_class(piece.role)}>{escape(piece.text)}</span>" for piece in line
    )


def as_json(value: Any) -> str:
    """JSON that may stand in a script element."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text
