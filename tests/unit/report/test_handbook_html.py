"""The sheet as a page: sound, self-contained, escaped, and the same as the text."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.profile.edits import changed
from unit.report.papers import NAMES, octets_of, paper_profile

from bench.profile import profile_of
from bench.report.handbook import handbook, written_as
from bench.report.handbook.document import (
    Document,
    Facts,
    Listing,
    Section,
    Strip,
    Table,
    Words,
)
from bench.report.handbook.html import html

if TYPE_CHECKING:
    from collections.abc import Iterator

VOID = {"meta"}
"""Elements that have no end."""

ALLOWED = {
    *("html", "head", "meta", "title", "style", "body", "header", "h1", "p", "nav"),
    *("ol", "li", "a", "main", "section", "h2", "div", "table", "caption", "thead"),
    *("tbody", "tr", "th", "td", "figure", "figcaption", "small", "pre"),
    *("dl", "dt", "dd"),
}
"""Elements that a sheet needs; a script, a picture or a form is none of them."""


class Reader(HTMLParser):
    """Reads a page, and notes what is in it."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.tables: list[list[tuple[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """See the base class."""
        assert tag in ALLOWED
        assert len(dict(attrs)) == len(attrs)
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        if tag == "th":
            self.tables[-1].append((tag, dict(attrs).get("scope")))

    def handle_endtag(self, tag: str) -> None:
        """See the base class; elements end in the order in which they began."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """See the base class."""
        if self.open and self.open[-1] != "style":
            self.texts.append(data)


def read(page: str) -> Reader:
    """A page, read to its end."""
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


def page_of(name: str) -> str:
    """The page of one of the profiles here."""
    return written_as("html", paper_profile(name), f"nightbench sheet {name}", "1.2")


def words_of(document: Document) -> Iterator[str]:
    """Everything that a document says."""
    yield document.title
    yield document.subtitle
    for section in document.sections:
        yield section.title
        for block in section.blocks:
            if isinstance(block, Words):
                yield block.text
            elif isinstance(block, Facts):
                yield from (cell for row in block.rows for cell in row)
            elif isinstance(block, Table):
                yield from (block.what, *block.heads)
                yield from (cell for row in block.rows for cell in row)
            elif isinstance(block, Strip):
                yield from (cell for pair in block.cells for cell in pair)
            elif isinstance(block, Listing):
                yield from (block.what, "\n".join(block.lines))


@pytest.mark.parametrize("name", NAMES)
def test_page(name: str) -> None:
    """It parses, and every word of the document is in it, in order."""
    command = f"nightbench sheet {name}"
    page = page_of(name)
    text = "".join(read(page).texts)
    assert page.isascii()
    document = handbook(paper_profile(name), command, "1.2")
    # The sections come after the table of contents, which ends with the last title.
    at = text.index(document.sections[-1].title)
    for words in list(words_of(document))[2:]:
        at = text.find(words, at)
        assert at >= 0, words


@pytest.mark.parametrize("name", NAMES)
def test_needs_nothing_else(name: str) -> None:
    """Nothing is loaded from anywhere: no link but to its own parts, no script."""
    page = page_of(name)
    reader = read(page)
    names = {attributes["id"] for _, attributes in reader.tags if "id" in attributes}
    assert len(names) == len(re.findall(r' id="', page))
    for tag, attributes in reader.tags:
        assert not {"src", "srcset", "action", "style", "onclick"} & set(attributes)
        if "href" in attributes:
            assert tag == "a"
            assert attributes["href"].removeprefix("#") in names
        if "aria-labelledby" in attributes:
            assert attributes["aria-labelledby"] in names
    assert "url(" not in page
    assert "@import" not in page
    assert "http:" not in page
    assert "https:" not in page
    policy = {
        attributes.get("http-equiv"): attributes["content"]
        for tag, attributes in reader.tags
        if tag == "meta" and "content" in attributes
    }["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")


def test_can_be_heard_and_held() -> None:
    """What a screen reader, a narrow screen and a printer need is there."""
    page = page_of("causeway")
    reader = read(page)
    attributes = [attributes for _, attributes in reader.tags]
    assert {"lang": "en"} in attributes
    assert any(one.get("name") == "viewport" for one in attributes)
    assert any(one.get("name") == "color-scheme" for one in attributes)
    assert len(reader.tables) >= 7
    for heads in reader.tables:
        assert heads
        assert all(scope in ("row", "col") for _, scope in heads)
    assert sum(tag == "h1" for tag, _ in reader.tags) == 1
    for rule in ("@media print", "@page", "prefers-color-scheme: dark"):
        assert rule in page
    # What scrolls by itself can be reached with keys.
    scrolled = [a for _, a in reader.tags if a.get("role") == "group"]
    assert all(a["tabindex"] == "0" and a["aria-label"] for a in scrolled)


HOSTILE = "<script>alert('ebb')</script>&amp;\"><img src=x onerror=y>"


def test_names_are_escaped() -> None:
    """What people wrote is text, never markup."""
    profile = profile_of(
        changed({"node.0.name": HOSTILE, "summary": HOSTILE * 3}),
        check_octets=octets_of,
    )
    page = written_as("html", profile, f"nightbench sheet '{HOSTILE}'", "1.2")
    reader = read(page)  # the reader knows no script and no img
    assert "<script" not in page
    text = "".join(reader.texts)
    assert text.count(HOSTILE) >= 4


@settings(deadline=None, max_examples=200)
@given(st.text(max_size=30))
def test_any_text(text: str) -> None:
    """Whatever a cell holds comes out as it went in."""
    blocks = [
        Words(text),
        Facts([(text, text)]),
        Table(text, (text,), [(text,)]),
        Strip(text, [(text, text)]),
        Listing(text, [text]),
    ]
    page = html(Document(text, text, [Section(text, blocks)]))
    reader = read(page)
    # A parser of HTML takes a carriage return for a line feed, and a few numbered
    # signs for others; what people wrote is cleaned of those before.
    if text.isprintable():
        assert "".join(reader.texts).count(text) >= 13
