"""The blocks that a report of a run is made of, beside those of a sheet.

A document of blocks knows nothing of pages: one renderer makes the page, another one
Markdown.  Whatever a chart shows is in its summary and its table as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from bench.report.handbook.document import Facts, Listing, Words

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.report.page import Line, Role

__all__ = [
    "Bars",
    "Block",
    "Cell",
    "Chapter",
    "Chart",
    "Facts",
    "Fold",
    "Grid",
    "Heading",
    "Key",
    "Listing",
    "Night",
    "Opening",
    "Ticks",
    "Words",
]


class Cell(NamedTuple):
    """A cell of a table, with the role that it plays."""

    text: str
    role: Role = ""


@dataclass(frozen=True, slots=True)
class Grid:
    """A table.  Its first cells name its rows.

    Attributes:
        what: What it shows.
        heads: Of the columns.
        rows: As many cells each.
        left: Which columns, beside the first, hold words and not figures.
    """

    what: str
    heads: Sequence[str]
    rows: Sequence[Sequence[Cell | str]]
    left: Sequence[int] = ()


@dataclass(frozen=True, slots=True)
class Bars:
    """Parts of a whole, the largest first, each drawn as long as it is.

    Attributes:
        what: What it shows.
        heads: Over the names, and over the counts.
        rows: Name, count, and a note.
    """

    what: str
    heads: tuple[str, str, str]
    rows: Sequence[tuple[str, int, str]]


class Key(NamedTuple):
    """One sign of a chart, and what it stands for."""

    sign: str
    text: str


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawing.

    Attributes:
        name: Of its element; one word.
        what: What it shows.
        summary: The same in words.
        figure: Makes what the plotting library draws, as JSON that may stand in a page.
        height: In pixels of a screen.
        keys: What its signs stand for.
        table: The same as figures.
        span_s: Length of its axis of time, from 0; None where it does not zoom.
    """

    name: str
    what: str
    summary: str
    figure: Callable[[], str]
    height: int
    keys: Sequence[Key] = ()
    table: Grid | None = None
    span_s: float | None = None


@dataclass(frozen=True, slots=True)
class Ticks:
    """The clocks of one burst, expected over seen.

    Attributes:
        what: Whose.
        expected: Pieces of the upper row.
        seen: Pieces of the lower row.
        words: The same in words.
    """

    what: str
    expected: Line
    seen: Line
    words: str


@dataclass(frozen=True, slots=True)
class Heading:
    """A title within a chapter, and a line under it."""

    text: str
    under: str = ""
    role: Role = ""


@dataclass(frozen=True, slots=True)
class Fold:
    """Blocks that a reader opens when they are wanted; open on paper.

    Attributes:
        title: What is in there.
        blocks: The blocks.
        printed: Whether they are worth their paper.
    """

    title: str
    blocks: Sequence[Block]
    printed: bool = False


Block = Words | Facts | Listing | Grid | Bars | Chart | Ticks | Heading | Fold


@dataclass(frozen=True, slots=True)
class Chapter:
    """Blocks under one title."""

    name: str
    title: str
    blocks: Sequence[Block]


@dataclass(frozen=True, slots=True)
class Opening:
    """What has to be read if nothing else is.

    Attributes:
        word: The verdict: "PASS", "FAIL", "VOID"; "NO VERDICT" where there is none.
        role: How that is to be taken.
        sentence: The reason.
        more: What else stands against it, or says nothing.
        facts: How sure one can be, and what nobody could see.
        figures: Label, figure and role: the few numbers to remember.
    """

    word: str
    role: Role
    sentence: str
    more: Sequence[str] = ()
    facts: Sequence[tuple[str, str]] = ()
    figures: Sequence[tuple[str, str, Role]] = ()


@dataclass(frozen=True, slots=True)
class Night:
    """A whole report.

    Attributes:
        title: What was tried.
        subtitle: How, when and how long.
        opening: The verdict.
        chapters: The rest.
        foot: By what it was made, and of what.
    """

    title: str
    subtitle: str
    opening: Opening
    chapters: Sequence[Chapter] = field(default_factory=list)
    foot: str = ""
