"""A report as Markdown (CommonMark with the tables that are usual).

Everything that people or boards wrote is escaped, so that a name stays a name: no
markup, no link, no HTML comes out of it.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from bench.base.units import format_count
from bench.report.night.blocks import (
    Bars,
    Cell,
    Chart,
    Facts,
    Fold,
    Grid,
    Heading,
    Ticks,
    Words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.report.night.blocks import Block, Night
    from bench.report.page import Line

_MARKUP = re.compile(r"([\\`*_\[\]<>|~&@$])|(?<=www)(\.)|(:)(?=//)")
"""Signs that mean something anywhere, and what makes an address a link; all are ASCII
punctuation, which a backslash makes plain (CommonMark 0.31, section 2.4)."""

_AT_START = re.compile(r"^([-+=#])|^(\d+)([.)])(?=\s|$)")
"""What begins a list, a heading or a rule."""

_FENCE = 3


def markdown(night: Night) -> str:
    """The document."""
    opening = night.opening
    parts = [f"# {_plain(opening.word)}: {_plain(night.title)}", _plain(night.subtitle)]
    parts.append(f"**{_plain(opening.sentence)}**")
    if opening.more:
        parts.append("\n".join(f"* {_plain(text)}" for text in opening.more))
    if opening.facts:
        parts.append(_pairs(opening.facts))
    if opening.figures:
        parts.append(_pairs([(label, text) for label, text, _ in opening.figures]))
    for chapter in night.chapters:
        parts.append(f"## {_plain(chapter.title)}")
        parts += [text for block in chapter.blocks if (text := _block(block))]
    parts.append(f"---\n\n{_plain(night.foot)}")
    return "\n\n".join(parts) + "\n"


def _plain(text: str) -> str:
    """Text that means nothing but itself."""
    escaped = _MARKUP.sub(lambda found: f"\\{found[0]}", " ".join(text.split()))
    return _AT_START.sub(
        lambda found: f"\\{found[1]}" if found[1] else f"{found[2]}\\{found[3]}",
        escaped,
    )


def _block(block: Block) -> str:
    if isinstance(block, Words):
        return _plain(block.text)
    if isinstance(block, Facts):
        return _pairs(block.rows)
    if isinstance(block, Grid):
        return _grid(block)
    if isinstance(block, Bars):
        rows = [[name, format_count(n), note] for name, n, note in block.rows]
        return _grid(Grid(block.what, block.heads, rows, left=(2,)))
    if isinstance(block, Chart):
        table = f"\n\n{_grid(block.table)}" if block.table else ""
        return f"### {_plain(block.what)}\n\n{_plain(block.summary)}{table}"
    if isinstance(block, Ticks):
        lines = [f"expected  {_line(block.expected)}", f"seen      {_line(block.seen)}"]
        return f"{_plain(block.what)}\n\n{_fenced(lines)}"
    if isinstance(block, Heading):
        under = f"\n\n{_plain(block.under)}" if block.under else ""
        return f"### {_plain(block.text)}{under}"
    if isinstance(block, Fold):
        return "\n\n".join(text for one in block.blocks if (text := _block(one)))
    return f"{_plain(block.what)}\n\n{_fenced(block.lines)}"


def _line(line: Line) -> str:
    return "".join(piece.text for piece in line)


def _fenced(lines: Sequence[str]) -> str:
    """Lines as they are, between fences longer than any run of ticks in them."""
    runs = [len(run) for line in lines for run in re.findall(r"`+", line)]
    fence = "`" * max(_FENCE, 1 + max(runs, default=0))
    return "\n".join([f"{fence}text", *lines, fence])


def _pairs(rows: Sequence[tuple[str, str]]) -> str:
    return _table(("", ""), [[label, text] for label, text in rows], {0, 1})


def _grid(grid: Grid) -> str:
    rows = [[_cell(cell) for cell in row] for row in grid.rows]
    table = _table(grid.heads, rows, {0, *grid.left})
    return f"{_plain(grid.what)}\n\n{table}"


def _cell(cell: Cell | str) -> str:
    """A cell; what differs or is wrong is marked."""
    if isinstance(cell, Cell):
        return f"{cell.text} ◂" if cell.role == "bad" and cell.text else cell.text
    return cell


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], left: set[int]) -> str:
    rule = ["---" if k in left else "--:" for k in range(len(heads))]
    lines = [heads, rule, *rows]
    return "\n".join(
        "| " + " | ".join(cell if k == 1 else _plain(cell) for cell in line) + " |"
        for k, line in enumerate(lines)
    )
