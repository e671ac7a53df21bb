"""A served node as people see it: how to reach it, how it stands, what it came to.

On a terminal how it stands is a page that is drawn over in place; elsewhere it is a
plain line now and then, and one whenever somebody comes or goes.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from bench.base.units import format_count, format_ns, format_share
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.terminal import PLAIN_NS, Drawing

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.report.terminal import Out
    from bench.trial.serve.served import Figures, NodeCounts

_LABELS = 18

_NODES_SHOWN = 12
"""Nodes that are listed; of more those that dropped or lost something come first."""

_REASONS_SHOWN = 6

RATE_NS = 2_000_000_000
"""Rates are over so much time: long enough for slow frames, short enough to follow."""


def head_page(what: str, where: str, command: str, width: int = WIDTH) -> Page:
    """What is served, and how others reach it.

    Args:
        what: The profile, its nodes and its bus in a few words.
        where: The port.
        command: The command that streams to it.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    page.field("serving", what)
    page.whole("port", where)
    page.whole("reach it by", command)
    page.field("", "nothing is lit here; with lights leave both --allow out")
    return page


class Rates:
    """What happens a second, over the last two seconds or so."""

    def __init__(self) -> None:
        self._past: deque[tuple[int, int, list[int]]] = deque()

    def of(self, figures: Figures) -> tuple[float | None, list[float | None]]:
        """Characters and, by each node, packets shown a second; None: too early.

        Args:
            figures: How it stands now, later than the last time.
        """
        shown = [node.shown for node in figures.nodes.values()]
        self._past.append((figures.spent_ns, figures.characters, shown))
        while len(self._past) > 1 and figures.spent_ns - self._past[1][0] >= RATE_NS:
            self._past.popleft()
        then_ns, characters, before = self._past[0]
        seconds = (figures.spent_ns - then_ns) / 1e9
        if seconds <= 0:
            return None, [None] * len(shown)
        return (figures.characters - characters) / seconds, [
            (now - then) / seconds for now, then in zip(shown, before, strict=True)
        ]


def standing_page(
    figures: Figures,
    *,
    about: Sequence[tuple[str, str]] = (),
    rates: tuple[float | None, list[float | None]] | None = None,
    width: int = WIDTH,
) -> Page:
    """How it stands, or what it came to.

    Args:
        figures: The figures.
        about: Further fields, each a label and a sentence.
        rates: What happens a second, while it does; None at the end.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    for label, text in about:
        page.field(label, text)
    page.field("wire", _wire(figures, rates[0] if rates else None))
    page.blank()
    _table(page, figures, rates[1] if rates else None)
    _why(page, figures)
    return page


def standing_line(figures: Figures) -> str:
    """How it stands, in one line."""
    nodes = figures.nodes.values()
    dropped = sum(node.dropped.total() for node in nodes)
    parts = [
        f"{format_ns(figures.spent_ns, 3)} since the first character",
        f"{format_count(sum(node.shown for node in nodes))} packets shown",
        f"{format_count(dropped)} dropped",
        f"{format_count(sum(node.lost for node in nodes))} characters lost",
    ]
    if figures.idle_share is not None:
        parts.append(f"wire idle {format_share(figures.idle_share, 3)}")
    return ", ".join(parts)


def _wire(figures: Figures, rate: float | None) -> str:
    """What the wire carried."""
    if not figures.characters:
        return "nothing has arrived"
    parts = [f"{glued(format_count(figures.characters))} characters"]
    if rate is not None:
        parts.append(glued(f"{format_count(round(rate))} a second"))
    if figures.idle_share is not None:
        parts.append(f"idle {glued(format_share(figures.idle_share, 3))}")
    if figures.gaps:
        gaps = "gap" if figures.gaps == 1 else "gaps"
        parts.append(glued(f"{format_count(figures.gaps)} {gaps} between characters"))
        parts.append(glued(f"the longest {format_ns(figures.longest_idle_ns, 3)}"))
    return ", ".join(parts)


def _table(page: Page, figures: Figures, rates: Sequence[float | None] | None) -> None:
    """A row for each node."""
    heads = ["shown", "dropped", "lost"]
    if rates is not None:
        heads = ["a second", *heads]
    at = {name: k for k, name in enumerate(figures.nodes)}
    rows: list[tuple[str, list[Piece]]] = []
    for name, node in _listed(figures.nodes):
        cells = [
            Piece(format_count(node.shown)),
            Piece(format_count(node.dropped.total())),
            Piece(format_count(node.lost)),
        ]
        if rates is not None:
            rate = rates[at[name]]
            text = "–" if rate is None else f"{rate:.1f}"
            cells = [Piece(text, "faint" if rate is None else ""), *cells]
        rows.append((f"  {name}", cells))
    page.table("packets", heads, rows)
    if len(figures.nodes) > len(rows):
        page.field("", f"and {len(figures.nodes) - len(rows)} nodes more")


def _listed(nodes: Mapping[str, NodeCounts]) -> list[tuple[str, NodeCounts]]:
    """The nodes that are listed, in the order of the profile."""
    if len(nodes) <= _NODES_SHOWN:
        return list(nodes.items())
    bad = [name for name, node in nodes.items() if node.dropped or node.lost]
    names = [*bad, *(name for name in nodes if name not in bad)][:_NODES_SHOWN]
    return [(name, node) for name, node in nodes.items() if name in names]


def _why(page: Page, figures: Figures) -> None:
    """Why packets were dropped, the most frequent reasons first."""
    reasons: dict[str, int] = {}
    for node in figures.nodes.values():
        for word, count in node.dropped.items():
            reasons[word] = reasons.get(word, 0) + count
    if reasons:
        page.blank()
        ordered = sorted(reasons.items(), key=lambda pair: (-pair[1], pair[0]))
        texts = [
            f"{glued(format_count(count))} {word}"
            for word, count in ordered[:_REASONS_SHOWN]
        ]
        if len(ordered) > _REASONS_SHOWN:
            texts.append("and others")
        page.field("dropped", ", ".join(texts))
    if figures.resets:
        page.field("begun anew", f"{format_count(figures.resets)} times")
    if figures.not_told:
        lines = format_count(figures.not_told)
        page.field("not told", f"{lines} sighting lines that nobody took in time")


# --- on the way -----------------------------------------------------------------------


class ServeUnmoved:
    """Looks on and says nothing."""

    def opened(self) -> None:
        """See `bench.trial.serve.run.Onlooker`."""

    def closed(self) -> None:
        """See `bench.trial.serve.run.Onlooker`."""

    def moved(self, where: str) -> None:
        """See `bench.trial.serve.run.Onlooker`."""

    def stands(self, figures: Figures) -> None:
        """See `bench.trial.serve.run.Onlooker`."""

    def close(self) -> None:
        """Nothing to put away."""


class ServeTold:
    """Plain lines: who comes and goes, and how it stands now and then."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._due_ns = PLAIN_NS
        self._visitors = 0

    def opened(self) -> None:
        """See `bench.trial.serve.run.Onlooker`."""
        self._visitors += 1
        self._tell(f"somebody is there: visitor {self._visitors}")

    def closed(self) -> None:
        """See `bench.trial.serve.run.Onlooker`."""
        self._tell(f"visitor {self._visitors} has gone")

    def moved(self, where: str) -> None:
        """See `bench.trial.serve.run.Onlooker`."""
        self._tell(f"the port is {where} from now on")

    def stands(self, figures: Figures) -> None:
        """See `bench.trial.serve.run.Onlooker`."""
        if figures.spent_ns < self._due_ns:
            return
        self._due_ns = figures.spent_ns + PLAIN_NS
        self._tell(standing_line(figures))

    def close(self) -> None:
        """Nothing to put away."""

    def _tell(self, line: str) -> None:
        self._out.write(line + "\n")
        self._out.flush()


class ServeDrawn:
    """A page that is drawn over in place."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._rates = Rates()
        self._drawing = Drawing(out)
        self._visitors = 0
        self._there = False
        self._moved = ""

    def opened(self) -> None:
        """See `bench.trial.serve.run.Onlooker`."""
        self._visitors += 1
        self._there = True

    def closed(self) -> None:
        """See `bench.trial.serve.run.Onlooker`."""
        self._there = False

    def moved(self, where: str) -> None:
        """See `bench.trial.serve.run.Onlooker`."""
        self._moved = where

    def stands(self, figures: Figures) -> None:
        """See `bench.trial.serve.run.Onlooker`."""
        about = [("now", self._who(figures))]
        if self._moved:
            about.append(("port", f"{self._moved} from now on"))
        rates = self._rates.of(figures)
        page = standing_page(figures, about=about, rates=rates, width=self._out.width)
        self._drawing.draw(page.lines)

    def close(self) -> None:
        """Take it off the terminal."""
        self._drawing.close()

    def _who(self, figures: Figures) -> str:
        if not self._visitors:
            return "waiting for somebody to open the port; Ctrl-C ends it"
        there = "is there" if self._there else "has gone"
        spent = glued(format_ns(figures.spent_ns, 3))
        return f"visitor {self._visitors} {there}; {spent} since the first character"


def serve_onlooker(out: Out) -> ServeTold | ServeDrawn:
    """Who shows on a stream how it stands."""
    return ServeDrawn(out) if out.is_terminal else ServeTold(out)
