"""One finding as a note for the bench: what to send, what should happen, what did.

Whoever has the board before him and nothing else can do it again with this alone; of
long packets the middle is left out here, and the rows in the file of the case say all.
"""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING, Any

from bench.report.page import Piece

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.report.page import Page

    Content = Mapping[str, Any]

_MOST_LINES = 14
"""Lines of what to send; the file of the case has all of them."""

_OCTETS = re.compile(r"[0-9A-F]{2}(?: [0-9A-F]{2}){23,}")
_LEFT_OUT = re.compile(r"(…) (\d+) more … ")
_ENDS = 8


def note(page: Page, finding: Content, number: int | None = None) -> None:
    """A finding, its head first.

    Args:
        page: Where it goes.
        finding: As the verdict has it.
        number: Of the finding, where there are several.
    """
    head = "found" if number is None else f"found {number}"
    page.field(head, finding["wrong"], mark="bad")
    _lines(page, "  send", finding["text"])
    page.field("  should", shortened(finding["should"]))
    page.field("  did", shortened(finding["did"]))
    page.field("  how often", _often(finding))
    if finding["case"] is not None:
        page.whole("  again", again(finding))


def again(finding: Content) -> str:
    """The command that sends it once more."""
    return shlex.join(["nightbench", "replay", finding["case"]])


def _lines(page: Page, label: str, lines: Sequence[str]) -> None:
    """Some lines behind one label."""
    for text in lines[:_MOST_LINES]:
        page.field(label, shortened(text))
        label = ""
    if (left := len(lines) - _MOST_LINES) > 0:
        page.row("", [Piece(f"and {left} more lines, in its file", "faint")])


def shortened(text: str) -> str:
    """A text with the middle of long runs of octets left out."""
    found = _LEFT_OUT.search(text)
    left = 0 if found is None else int(found[2])
    parts = _LEFT_OUT.split(text)
    if found is not None and len(parts) == 4:
        head, tail = parts[0], parts[3]
        first, rest = _front(head), _back(tail)
        left += _octets(head) - _octets(first) + _octets(tail) - _octets(rest)
        return f"{first.rstrip()} … {left} more … {rest}"
    return _OCTETS.sub(_middle, text)


def _middle(found: re.Match[str]) -> str:
    octets = found[0].split(" ")
    left = len(octets) - 2 * _ENDS
    front, back = " ".join(octets[:_ENDS]), " ".join(octets[-_ENDS:])
    return f"{front} … {left} more … {back}"


def _front(text: str) -> str:
    """A text that ends in octets, with some of them."""
    return _OCTETS.sub(lambda found: " ".join(found[0].split(" ")[:_ENDS]), text)


def _back(text: str) -> str:
    """A text that begins with octets, with the last of them."""
    return _OCTETS.sub(lambda found: " ".join(found[0].split(" ")[-_ENDS:]), text)


def _octets(text: str) -> int:
    """How many octets a text holds."""
    return len(re.findall(r"\b[0-9A-F]{2}\b", text))


def _often(finding: Content) -> str:
    """How often it failed, and what was made smaller."""
    rows = len(finding["rows"])
    text = f"{often(finding)}; {rows} row{'s' if rows != 1 else ''}"
    if finding["was"] > rows:
        text += f", of {finding['was']} when it was found"
    return f"{text}; {finding['why']}"


def often(finding: Content) -> str:
    """How often it failed."""
    failed, tries = finding["failed"], finding["tries"]
    if not tries:
        return "not tried again"
    return f"{failed} of {tries} times" if failed else f"not again in {tries} tries"
