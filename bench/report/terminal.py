"""Where pages and progress go: a terminal, or whatever else standard output is.

On a terminal, progress is a block of two lines that is drawn over and then goes; a page
is coloured.  Anywhere else progress is a plain line now and then, and nothing but text
is written: no escape codes, no carriage returns.  A reader who went away (`| head`)
stops the writing and nothing else, since the trial and its ledger go on.

rich draws; it is imported only for a terminal.
"""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Protocol, TextIO

from bench.base.errors import Fault
from bench.base.units import format_count, format_ns
from bench.judge.statistics import binomial_upper
from bench.report.page import WIDTH, Piece, within, written_in

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    from bench.report.page import Line, Page, Role
    from bench.trial.runner import Progress

PLAIN_NS = 5_000_000_000
"""Progress is told in plain lines this often at most."""

_UNDER = " " * 7
"""What stands under a percentage."""

_STYLES: dict[Role, str] = {
    "": "",
    "good": "bold color(32)",
    "bad": "bold color(166)",
    "open": "bold",
    "label": "dim",
    "faint": "dim",
}
"""Blue and vermilion are told apart by everybody (Okabe and Ito, Color Universal
Design, 2008), and by their weight on a dark and on a light ground."""


class Out:
    """A text stream that outlives its reader, and writes what its encoding can say.

    Attributes:
        encoding: What it is written in.
        failed: Why it could not be written; None also where the reader went away.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._gone = False
        self.encoding = stream.encoding
        self.failed: Fault | None = None

    def write(self, text: str) -> int:
        """Write, unless nobody reads any more."""
        if not self._gone:
            self._try(lambda: self._stream.write(written_in(text, self.encoding)))
        return len(text)

    def flush(self) -> None:
        """Hand over what was written."""
        if not self._gone:
            self._try(self._stream.flush)

    def isatty(self) -> bool:
        """Whether it is a terminal."""
        return self._stream.isatty()

    @property
    def is_terminal(self) -> bool:
        """Whether it is a terminal that can be drawn on."""
        return self.isatty() and os.environ.get("TERM", "") not in ("dumb", "unknown")

    @property
    def columns(self) -> int:
        """Columns of the terminal; one that says 0 does not know."""
        with suppress(ValueError):
            if columns := int(os.environ.get("COLUMNS", "")):
                return max(1, columns)
        try:
            return os.get_terminal_size(self._stream.fileno()).columns or WIDTH
        except (OSError, ValueError):
            return WIDTH

    @property
    def width(self) -> int:
        """Columns to write for."""
        return within(self.columns) if self.isatty() else WIDTH

    def _try(self, work: Callable[[], object]) -> None:
        try:
            work()
        except BrokenPipeError:
            self._give_up()
        except OSError as error:
            self._give_up()
            self.failed = Fault(
                "result not written",
                error.strerror or str(error),
                where="standard output",
            )

    def _give_up(self) -> None:
        """Write no more: what the stream still holds goes nowhere when we end."""
        self._gone = True
        with suppress(OSError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)


def show(page: Page, out: Out) -> None:
    """Write a page."""
    if not out.is_terminal:
        out.write(page.plain())
        out.flush()
        return
    console = _console(out)
    for line in page.lines:
        console.print(_text(line, out), soft_wrap=True)


# --- progress -------------------------------------------------------------------------


class Onlooker(Protocol):
    """A watcher that has something to put away."""

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""
        ...

    def progress(self, progress: Progress) -> None:
        """See `bench.trial.runner.Watcher`."""
        ...

    def close(self, figures: dict[str, Any] | None) -> None:
        """The trial is over; `figures` of its result, or None if it has none."""
        ...


def onlooker(out: Out, confidence: float) -> Onlooker:
    """Who shows progress on a stream.

    Args:
        out: The stream.
        confidence: Of the bound on the loss.
    """
    return _Drawn(out, confidence) if out.is_terminal else _Told(out, confidence)


class Unmoved:
    """Looks on and says nothing."""

    def begun(self, folder: Path) -> None:
        """See `Onlooker`."""

    def progress(self, progress: Progress) -> None:
        """See `Onlooker`."""

    def close(self, figures: dict[str, Any] | None) -> None:
        """See `Onlooker`."""


class _Told:
    """Plain lines: one every few seconds, and one at least."""

    def __init__(self, out: Out, confidence: float) -> None:
        self._out = out
        self._confidence = confidence
        self._due_ns = PLAIN_NS
        self._told = False

    def begun(self, folder: Path) -> None: ...

    def progress(self, progress: Progress) -> None:
        if progress.spent_ns < self._due_ns:
            return
        self._due_ns = progress.spent_ns + PLAIN_NS
        times = trial_times(progress.trial_ns, progress.spent_ns)
        counts = counts_text(progress.counts, self._confidence)
        self._tell(f"{percent(progress.share)}  {times}; {counts}")

    def close(self, figures: dict[str, Any] | None) -> None:
        if figures is None or self._told:
            return
        times = trial_times(figures["trial_ns"], figures["spent_ns"])
        counts = counts_text(figures, self._confidence)
        share = percent(1.0) if figures["signal"] is None else "stop "
        self._tell(f"{share}  {times}; {counts}")

    def _tell(self, line: str) -> None:
        self._told = True
        self._out.write(line + "\n")
        self._out.flush()


class _Drawn:
    """Two lines that are drawn over, as often as the trial tells of progress."""

    def __init__(self, out: Out, confidence: float) -> None:
        self._confidence = confidence
        self._drawing = Drawing(out)

    def begun(self, folder: Path) -> None: ...

    def progress(self, progress: Progress) -> None:
        times = trial_times(progress.trial_ns, progress.spent_ns)
        counts = counts_text(progress.counts, self._confidence)
        first = (Piece(percent(progress.share), "good"), Piece(f"  {times}"))
        self._drawing.draw([first, (Piece(f"{_UNDER}{counts}"),)])

    def close(self, figures: dict[str, Any] | None) -> None:  # noqa: ARG002
        self._drawing.close()


class Drawing:
    """Lines on a terminal that are drawn over in place, and go in the end."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._live: Live | None = None

    def draw(self, lines: Sequence[Line]) -> None:
        """Put these lines where the last ones were."""
        from rich.text import Text

        block = Text("\n").join(_text(line, self._out) for line in lines)
        self._begun().update(block, refresh=True)

    def close(self) -> None:
        """Take them away."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def _begun(self) -> Live:
        """The block, begun with the first thing to draw."""
        if self._live is None:
            from rich.live import Live

            self._live = Live(
                console=_console(self._out),
                auto_refresh=False,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,
            )
            self._live.start()
        return self._live


def percent(share: float) -> str:
    """How much is done, rounded down so that it is whole only at the end."""
    return f"{int(100 * share):3d} %"


def trial_times(trial_ns: int, spent_ns: int) -> str:
    """Time on the line, and how much faster that is than a real one."""
    text = f"{format_ns(trial_ns, 3)} on the line"
    return f"{text}, {trial_ns / spent_ns:.3g} × real time" if spent_ns > 0 else text


def counts_text(counts: dict[str, Any], confidence: float) -> str:
    """What became of the packets so far, and what bounds their loss."""
    packets = counts["packets"]
    if not packets["offered"]:
        return "no packets"
    if packets["shown"] is None:
        return f"{format_count(packets['offered'])} packets, shown: not observable"
    shown, lost = packets["shown"], packets["lost"]
    decided = shown + lost + (packets["corrupt"] or 0)
    text = f"{format_count(shown)} of {format_count(packets['offered'])} packets shown"
    for word in ("lost", "corrupt", "stray"):
        if packets[word]:
            text += f", {format_count(packets[word])} {word}"
    if lost == 0:
        text += ", none lost"
    if decided > 0 and 0 <= shown <= decided:
        upper = binomial_upper(decided - shown, decided, confidence)
        text += f", loss below {upper:.2g} at {100 * confidence:g} %"
    return text


# --- rich -----------------------------------------------------------------------------


def _console(out: Out) -> Console:
    """A console on a stream, with no ideas of its own."""
    from rich.console import Console

    return Console(
        file=out,  # type: ignore[arg-type]  # of a file it only writes and flushes
        force_terminal=True,
        width=out.columns,
        markup=False,
        emoji=False,
        highlight=False,
    )


def _text(line: Line, out: Out) -> Text:
    """A line in colour, without spaces at its end."""
    from rich.text import Text

    pieces = [(written_in(text, out.encoding), _STYLES[role]) for text, role in line]
    text = Text.assemble(*pieces)
    text.rstrip()
    return text
