"""A drive while it runs: what is on now, what can be turned, what became of it.

On a terminal one block is drawn over in place; anywhere else there is a plain line for
each mark, and one every few seconds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from bench.base.units import format_ns
from bench.report.drive.words import became, changes, counted, effect
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.terminal import PLAIN_NS, Drawing
from bench.trial.drive.asked.commands import CONTROLS
from bench.trial.drive.asked.controls import reads
from bench.trial.drive.asked.keys import BAD_KEYS, PAIRS, SINGLE

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bench.base.errors import Fault
    from bench.report.page import Role
    from bench.report.terminal import Out
    from bench.trial.drive.since import Stretch
    from bench.trial.drive.told import Standing, Told

_LABELS = 16
_NAMES = 18
"""Columns of what a control is called."""


class Hands(Protocol):
    """What is asked at the moment, for who shows it."""

    @property
    def line(self) -> str | None:
        """What is being typed, or None."""
        ...


class DriveUnmoved:
    """A `bench.trial.drive.told.Looker` that says nothing but what was refused.

    Attributes:
        hands: Who types, if what is being typed can be shown.
        link: What the link is called.
    """

    hands: Hands | None = None
    link: str = ""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say

    def begun(self, folder: Path) -> None:
        """See `Looker`."""

    def marked(self, told: Told) -> None:
        """See `Looker`."""

    def stands(self, standing: Standing) -> None:
        """See `Looker`."""

    def relinks(self, told: Told) -> None:
        """See `Looker`."""

    def refused(self, fault: Fault) -> None:
        """Something could not be obeyed; from any thread."""
        self._say(str(fault))

    def close(self) -> None:
        """The drive is over."""


class DriveTold(DriveUnmoved):
    """Plain lines: one a mark, and one every few seconds."""

    def __init__(self, out: Out, say: Callable[[str], None], lead_ns: int) -> None:
        super().__init__(say)
        self._out = out
        self._lead_ns = lead_ns
        self._due_ns = PLAIN_NS

    def marked(self, told: Told) -> None:
        """See `Looker`."""
        mark = told.mark
        text = f"mark {mark.number} at octet {counted(mark.octet)}: {changes(told)}"
        if how := effect(told, self._lead_ns):
            text += f"; {how}"
        self._tell(mark.at_ns, text)

    def stands(self, standing: Standing) -> None:
        """See `Looker`."""
        if standing.at_ns < self._due_ns:
            return
        self._due_ns = standing.at_ns + PLAIN_NS
        since = became(standing.since.as_dict())
        what = _since_label(standing)
        holding = ", holding" if standing.holding else ""
        self._tell(standing.at_ns, f"{what}: {since}{holding}")

    def relinks(self, told: Told) -> None:
        """See `Looker`."""
        self._tell(told.mark.at_ns, "the link is taken up anew; the line rests")

    def _tell(self, at_ns: int, text: str) -> None:
        line = f"{format_ns(at_ns, 5)}  {text}\n"
        self._out.write(line.replace("\N{NO-BREAK SPACE}", " "))
        self._out.flush()


class DriveDrawn(DriveUnmoved):
    """One block that is drawn over in place."""

    def __init__(self, out: Out, say: Callable[[str], None], lead_ns: int) -> None:
        super().__init__(say)
        self._out = out
        self._lead_ns = lead_ns
        self._drawing = Drawing(out)
        self._fault: tuple[Fault, int] | None = None
        self._height = 0

    def begun(self, folder: Path) -> None:  # noqa: ARG002
        """See `Looker`.

        What draws is loaded now: once traffic runs, that would take the processor from
        it for longer than the lead.
        """
        page = Page(_LABELS, self._out.width)
        page.field("driving", f"over {self.link}: getting ready")
        self._drawing.draw(page.lines)

    def stands(self, standing: Standing) -> None:
        """See `Looker`."""
        said = ""
        if self._fault is not None:
            fault, until_ns = self._fault
            if not until_ns:
                until_ns = standing.at_ns + _SAID_NS
                self._fault = fault, until_ns
            if standing.at_ns < until_ns:
                said = str(fault)
        typed = self.hands.line if self.hands is not None else None
        page = standing_page(
            standing,
            self.link,
            said=said,
            typed=typed,
            lead_ns=self._lead_ns,
            width=self._out.width,
        )
        # A block that keeps its height does not jump about.
        self._height = max(self._height, len(page.lines))
        blank = [()] * (self._height - len(page.lines))
        self._drawing.draw([*page.lines, *blank])

    def refused(self, fault: Fault) -> None:
        """See the base class; it stands in the block for a while."""
        self._fault = fault, 0

    def close(self) -> None:
        """Take the block away."""
        self._drawing.close()


_MOVED_NS = 100_000
"""A plan that moved by less kept its instants as well as a host can."""

_SAID_NS = 8_000_000_000
"""So long a refusal stands: time to read a line twice."""


def drive_looker(out: Out, say: Callable[[str], None], lead_ns: int) -> DriveUnmoved:
    """Who shows a drive on a stream.

    Args:
        out: The stream.
        say: Says a line elsewhere, where the stream is no terminal.
        lead_ns: How far ahead characters are handed over.
    """
    made = DriveDrawn if out.is_terminal else DriveTold
    return made(out, say, lead_ns)


def standing_page(
    standing: Standing,
    link: str,
    *,
    said: str = "",
    typed: str | None = None,
    lead_ns: int = 0,
    width: int = WIDTH,
) -> Page:
    """The block: what is on, what can be turned, what became of the packets.

    Args:
        standing: How it stands.
        link: What the link is called.
        said: Why something could not be obeyed; "" for nothing.
        typed: What is being typed; None: nothing is.
        lead_ns: How far ahead characters are handed over.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    profile = standing.profile
    times = f"{glued(format_ns(standing.at_ns, 4))}, {counted(standing.octets)}"
    page.field("driving", f"{profile.name} over {link}: {times} characters")
    _turned(page, standing)
    page.blank()
    _lately(page, standing, lead_ns)
    page.field("in all", became(standing.whole.as_dict()), _role(standing.whole))
    page.field("link", *_health(standing, lead_ns))
    page.blank()
    bad = ", ".join(f"{key} {kind}" for key, kind in BAD_KEYS.items())
    keys = ", ".join(f"{key} {words}" for key, (_, words) in SINGLE.items())
    page.field("keys", f"{keys}; a bad packet: {bad}; : a command", "faint")
    if typed is not None:
        page.whole("", f":{typed}_")
    elif said:
        page.field("refused", said, "bad")
    elif standing.waiting:
        page.field("", f"{counted(standing.waiting)} orders wait for their instants")
    return page


def _turned(page: Page, standing: Standing) -> None:
    """Every control with its keys and what it reads."""
    label = "now"
    values = reads(standing.profile)
    state = "holding: idle or fill only" if standing.holding else "traffic"
    page.row(label, [Piece(state, "open" if standing.holding else "good")])
    for key, control in PAIRS.items():
        name = CONTROLS[control].ljust(_NAMES)
        cells = [Piece(f"{name}"), Piece(values[control], "open")]
        page.row(f"  {key} {key.upper()}", cells)


def _lately(page: Page, standing: Standing, lead_ns: int) -> None:
    """What became of the packets since the last mark, and what that was."""
    role = _role(standing.since)
    page.field(_since_label(standing), became(standing.since.as_dict()), role)
    last = standing.last
    if last is None:
        page.field("", "nothing has been turned yet")
        return
    ago = glued(format_ns(max(0, standing.at_ns - last.mark.at_ns), 2))
    where = f"{ago} ago at octet {counted(last.mark.octet)}"
    how = effect(last, lead_ns)
    page.field(f"mark {last.mark.number}", f"{where}, {how}" if how else where)
    page.field("", changes(last))


def _since_label(standing: Standing) -> str:
    mark = standing.since.mark
    return f"since mark {mark}" if mark else "since the start"


def _role(stretch: Stretch) -> Role:
    return "bad" if stretch.bad else ""


def _health(standing: Standing, lead_ns: int) -> tuple[str, Role]:
    """How the link does."""
    counts = standing.counts
    parts = [f"lead {glued(format_ns(lead_ns, 2))}"]
    bad = False
    for key, text in (
        ("queue_dry", "ran dry"),
        ("back_pressure", "took nothing for long"),
        ("reopened", "was lost and came back"),
    ):
        times = counts.get(key)
        if times:
            bad = True
            parts.append(f"it {text} {counted(times)} times")
    if not bad:
        parts.append("it never ran dry")
    moved_ns = counts.get("moved_ns") or 0
    if abs(moved_ns) >= _MOVED_NS:
        parts.append(f"the plan moved by {glued(format_ns(moved_ns, 2))}")
    return ", ".join(parts), "bad" if bad else ""
