"""A page: lines of pieces, each piece with the role that it plays.

Fields stand behind labels in one column; sentences are wrapped between words, and what
a person copies (a path, a command) is never wrapped or cut.  A role becomes a colour on
a terminal and nothing elsewhere, so no meaning may hang on it alone.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

Role = Literal["", "good", "bad", "open", "label", "faint"]
"""What a piece is: as it should be, a fault, nothing that can be said, the name of a
field, or less important than the rest."""

WIDTH = 80
"""Where nothing else is known, and in files."""

WIDEST = 100
"""Sentences that are longer are hard to read, however wide the terminal."""

LEAST = 40
"""Narrower terminals break the lines themselves."""

GLUE = "\N{NO-BREAK SPACE}"
"""Stands between what must not be parted, until sentences are wrapped."""

_ASCII = str.maketrans(
    {
        GLUE: " ",
        "×": "x",
        "µ": "u",
        "–": "-",
        "−": "-",
        "…": "...",
        "⋯": "...",
        "╷": "|",
        "┃": "!",
        "·": ".",
        "◂": "<",
    }
)
"""What stands for our signs where only ASCII can be written."""


class Piece(NamedTuple):
    """A run of text in one role."""

    text: str
    role: Role = ""


Line = tuple[Piece, ...]


@dataclass
class Page:
    """Lines for people.

    Attributes:
        labels: Width of the column of labels, the gap after it included.
        width: Sentences are wrapped to this.
        lines: What there is so far.
    """

    labels: int
    width: int = WIDTH
    lines: list[Line] = field(default_factory=list)

    def blank(self) -> None:
        """An empty line, unless there is one already or nothing at all."""
        if self.lines and self.lines[-1]:
            self.lines.append(())

    def field(
        self, label: str, text: str, role: Role = "", mark: Role = "label"
    ) -> None:
        """A label and a sentence, wrapped beside it."""
        room = max(self.width - self.labels, LEAST // 2)
        for part in textwrap.wrap(
            text, room, break_long_words=False, break_on_hyphens=False
        ) or [""]:
            self.row(label, [Piece(part, role)], mark)
            label = ""

    def whole(self, label: str, text: str) -> None:
        """A label and something that is to be copied: one line, however long."""
        self.row(label, [Piece(text)])

    def row(self, label: str, cells: Sequence[Piece], mark: Role = "label") -> None:
        """A label and pieces; a label that is too long has a line of its own."""
        if len(label) >= self.labels:
            self.lines.append((Piece(label, mark),))
            label = ""
        # All is wrapped by now, and a plain space is what people search for.
        spaced = [Piece(text.replace(GLUE, " "), role) for text, role in cells]
        self.lines.append((Piece(label.ljust(self.labels), mark), *spaced))

    def table(
        self,
        label: str,
        heads: Sequence[str],
        rows: Sequence[tuple[str, Sequence[Piece]]],
    ) -> None:
        """Columns of cells, flush right under their heads.

        A cell in the role "bad" is marked with a sign as well.
        """
        head = [Piece(text, "faint") for text in heads]
        lines = [(label, head), *rows]
        widths = [
            2 + max(len(cells[at].text) for _, cells in lines)
            for at in range(len(heads))
        ]
        mark: Role = "label"
        for name, cells in lines:
            padded = [
                Piece(cell.text.rjust(width) + _sign(cell.role), cell.role)
                for cell, width in zip(cells, widths, strict=True)
            ]
            self.row(name, padded, mark)
            mark = ""

    def plain(self) -> str:
        """The page as text; no line ends in a space."""
        lines = ("".join(piece.text for piece in line).rstrip() for line in self.lines)
        return "\n".join(lines) + "\n"


def glued(text: str) -> str:
    """A quantity that is kept on one line with its unit."""
    return text.replace(" ", GLUE)


def _sign(role: Role) -> str:
    """What a fault is marked with beside its colour."""
    return "◂" if role == "bad" else " "


def within(width: int) -> int:
    """The width to write for, on a terminal so wide."""
    return max(LEAST, min(width, WIDEST))


def written_in(text: str, encoding: str | None) -> str:
    """A text as far as an encoding can say it; nothing is left out."""
    encoding = encoding or "utf-8"
    try:
        text.encode(encoding)
    except (UnicodeError, LookupError):
        ascii_text = text.translate(_ASCII)
        return ascii_text.encode("ascii", "backslashreplace").decode("ascii")
    return text
