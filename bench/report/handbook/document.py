"""A document: sections of blocks, that know nothing of paper or screens.

Few kinds of block, so that two renderers are small and say the same: words, facts
(a label and a sentence), tables, strips (cells side by side, in the order in which
things come) and listings (what is to be copied sign for sign).  Whatever a strip shows
is in a table or in facts beside it as well.

`clean` makes text that people wrote fit for any of them: one line, nothing that cannot
be printed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.base.units import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

_LONGEST = 200
"""Signs of a name or a summary that are printed; the profile itself has them all."""


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str


@dataclass(frozen=True, slots=True)
class Facts:
    """Labels, each with a sentence."""

    rows: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Table:
    """Columns under their heads; the first cell names its row.

    Attributes:
        what: What it shows.
        heads: Of the columns.
        rows: As many cells each.
    """

    what: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True)
class Strip:
    """Cells side by side, each a name over a size.

    Attributes:
        what: What it shows.
        cells: From the first to the last.
    """

    what: str
    cells: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Listing:
    """Lines that are kept as they are.

    Attributes:
        what: What it shows.
        lines: Its lines.
    """

    what: str
    lines: Sequence[str]


Block = Words | Facts | Table | Strip | Listing


@dataclass(frozen=True, slots=True)
class Section:
    """Blocks under one title."""

    title: str
    blocks: Sequence[Block]


@dataclass(frozen=True, slots=True)
class Document:
    """A whole document.

    Attributes:
        title: Its title.
        subtitle: A line under that.
        sections: In order; they are numbered from 1.
    """

    title: str
    subtitle: str
    sections: Sequence[Section]


def clean(text: str) -> str:
    """Text that people wrote, as it may be printed anywhere."""
    return shown(text, _LONGEST)


def listed(words: Sequence[str]) -> str:
    """Words in a row: "a, b and c"."""
    *before, last = words
    return f"{', '.join(before)} and {last}" if before else last


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its word."""
    return f"{count} {one}" if count == 1 else f"{count} {many or one + 's'}"
