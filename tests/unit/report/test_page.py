"""Pages: wrapped between words, nothing cut, the same words in colour and without."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.report.page import GLUE, Page, Piece, glued, within, written_in


def test_field_is_wrapped_beside_its_label() -> None:
    """A sentence hangs beside its label, and no line is wider than the page."""
    page = Page(8, 40)
    page.field("verdict", "one two three four five six seven eight nine ten")
    assert page.plain() == (
        "verdict one two three four five six\n        seven eight nine ten\n"
    )


def test_quantity_stays_together() -> None:
    """A number and its unit are not parted, and are written with a plain space."""
    page = Page(4, 24)
    page.field("gap", f"twelve signs {glued('33.92 ms')}")
    assert page.plain() == "gap twelve signs\n    33.92 ms\n"
    assert GLUE not in page.plain()


@pytest.mark.parametrize("width", [1, 40, 80, 200])
def test_whole_is_never_wrapped(width: int) -> None:
    """What is to be copied stands on one line."""
    path = "/" + "deep folder/" * 30
    page = Page(10, width)
    page.whole("ledger", path)
    assert page.plain() == f"ledger    {path}\n"


def test_long_word_is_not_cut() -> None:
    """A path inside a sentence is moved, never cut."""
    page = Page(6, 30)
    path = "/a/" + "b" * 70
    page.field("fault", f"not written: {path}")
    assert page.plain() == f"fault not written:\n      {path}\n"


def test_long_label_has_its_own_line() -> None:
    """A name too long for its column does not push the cells aside."""
    page = Page(6, 30)
    page.row("a long name", [Piece("12")])
    assert page.plain() == "a long name\n      12\n"


def test_table() -> None:
    """Cells are flush right under their heads; a fault bears a sign as well."""
    page = Page(8, 40)
    page.table(
        "packets",
        ["offered", "lost"],
        [
            ("  ebb", [Piece("1200"), Piece("7", "bad")]),
            ("  all", [Piece("9"), Piece("0")]),
        ],
    )
    assert page.plain() == (
        "packets   offered   lost\n"
        "  ebb        1200      7◂\n"
        "  all           9      0\n"
    )


def test_blank_lines_do_not_pile_up() -> None:
    """There is no blank line at the top, and never two."""
    page = Page(4)
    page.blank()
    page.field("a", "b")
    page.blank()
    page.blank()
    page.field("c", "d")
    assert page.plain() == "a   b\n\nc   d\n"


@given(st.text(), st.integers(0, 60), st.integers(10, 120))
def test_no_word_is_lost(text: str, labels: int, width: int) -> None:
    """Whatever the width, every word is there, in order; no line ends in a space."""
    page = Page(labels, width)
    page.field("", text)
    plain = page.plain()
    glue = str.maketrans({GLUE: " "})
    assert plain.translate(glue).split() == text.translate(glue).split()
    assert all(line == line.rstrip() for line in plain.split("\n"))


@pytest.mark.parametrize(
    ("asked", "given_"), [(1, 40), (79, 79), (100, 100), (140, 100)]
)
def test_within(asked: int, given_: int) -> None:
    """Sentences are not made wider than can be read, nor narrower than a word."""
    assert within(asked) == given_


@pytest.mark.parametrize(
    ("encoding", "written"),
    [
        ("utf-8", "31 × µs ╷┃◂ – ligne à"),
        (None, "31 × µs ╷┃◂ – ligne à"),
        ("ascii", "31 x us |!< - ligne \\xe0"),
        ("latin-1", "31 x us |!< - ligne \\xe0"),
        ("no-such-encoding", "31 x us |!< - ligne \\xe0"),
    ],
)
def test_written_in(encoding: str | None, written: str) -> None:
    """What an encoding cannot say is written in ASCII, and nothing is left out."""
    assert written_in("31 × µs ╷┃◂ – ligne à", encoding) == written
