"""A document as text: 80 columns, for any printer and any terminal.

Cells are as wide as what they hold; where a table would be wider than the page, its
widest columns are wrapped.  A sign that takes two columns, or none, is counted as such.
"""

from __future__ import annotations

import unicodedata
from textwrap import wrap
from typing import TYPE_CHECKING

from bench.report.handbook.document import Facts, Listing, Strip, Table, Words
from bench.report.page import WIDTH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.report.handbook.document import Block, Document, Section

_LABELS = 22
_LEAST = 10
"""Columns are not made narrower than this."""

_GAP = "  "


def text(document: Document) -> str:
    """The document; every line ends where its text does."""
    lines = [document.title, document.subtitle, "=" * WIDTH]
    for number, section in enumerate(document.sections, start=1):
        lines += ["", *_section(number, section)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _section(number: int, section: Section) -> list[str]:
    title = f"{number}  {section.title}"
    lines = [title, "-" * WIDTH]
    for block in section.blocks:
        lines += ["", *_block(block)]
    return lines


def _block(block: Block) -> list[str]:
    if isinstance(block, Words):
        return _wrapped(block.text, WIDTH)
    if isinstance(block, Facts):
        return _facts(block)
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Strip):
        return _strip(block)
    return _listing(block)


def _facts(facts: Facts) -> list[str]:
    lines = []
    for label, sentence in facts.rows:
        head = _padded(label, _LABELS)
        for part in _wrapped(sentence, WIDTH - _LABELS):
            lines.append(head + part)
            head = " " * _LABELS
    return lines


def _listing(listing: Listing) -> list[str]:
    return [*_wrapped(f"{listing.what}:", WIDTH), "", *listing.lines]


# --- tables ---------------------------------------------------------------------------


def _table(table: Table) -> list[str]:
    """Head, a line under it, rows."""
    widths = _widths([table.heads, *table.rows])
    rule = _GAP.join("-" * width for width in widths)
    lines = [*_wrapped(f"{table.what}:", WIDTH), "", *_row(table.heads, widths), rule]
    for row in table.rows:
        lines += _row(row, widths)
    return lines


def _widths(rows: Sequence[Sequence[str]]) -> list[int]:
    """Widths of columns that fit the page as far as they can."""
    widths = [
        max(_columns(cell) for cell in column) for column in zip(*rows, strict=True)
    ]
    room = WIDTH - len(_GAP) * (len(widths) - 1)
    while sum(widths) > room and max(widths) > _LEAST:
        widths[widths.index(max(widths))] -= 1
    return widths


def _row(cells: Sequence[str], widths: Sequence[int]) -> list[str]:
    """The lines of one row."""
    parts = [
        _wrapped(cell, width) if _columns(cell) > width else [cell]
        for cell, width in zip(cells, widths, strict=True)
    ]
    lines = []
    for at in range(max(len(part) for part in parts)):
        each = [part[at] if at < len(part) else "" for part in parts]
        padded = [
            _padded(cell, width) for cell, width in zip(each, widths, strict=True)
        ]
        lines.append(_GAP.join(padded))
    return lines


# --- strips ---------------------------------------------------------------------------


def _strip(strip: Strip) -> list[str]:
    """Cells in boxes, as many on a line as fit."""
    lines = _wrapped(f"{strip.what}:", WIDTH)
    row: list[tuple[str, str]] = []
    used = 1
    for name, size in strip.cells:
        needed = max(_columns(name), _columns(size)) + 3
        if row and used + needed > WIDTH:
            lines += ["", *_boxes(row)]
            row, used = [], 1
        row.append((name, size))
        used += needed
    return [*lines, "", *_boxes(row)]


def _boxes(cells: Sequence[tuple[str, str]]) -> list[str]:
    """One line of boxes."""
    widths = [max(_columns(name), _columns(size)) for name, size in cells]
    edge = "+" + "+".join("-" * (width + 2) for width in widths) + "+"
    lines = [edge]
    for line in zip(*cells, strict=True):
        padded = [
            _padded(cell, width) for cell, width in zip(line, widths, strict=True)
        ]
        lines.append("| " + " | ".join(padded) + " |")
    return [*lines, edge]


# --- signs ----------------------------------------------------------------------------


def _columns(line: str) -> int:
    """Columns that a line takes up."""
    return sum(_width(sign) for sign in line)


def _width(sign: str) -> int:
    if unicodedata.combining(sign):
        return 0
    return 2 if unicodedata.east_asian_width(sign) in "WF" else 1


def _padded(line: str, width: int) -> str:
    return line + " " * (width - _columns(line))


def _wrapped(line: str, width: int) -> list[str]:
    """Lines of a paragraph; one that is empty is a line as well."""
    return wrap(line, width, break_on_hyphens=False) or [""]
