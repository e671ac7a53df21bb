"""Progress and pages on streams: files, pipes whose reader left, terminals."""

from __future__ import annotations

import errno
import io
import os
import re
from typing import Any

import pytest

from bench.report.page import Page
from bench.report.terminal import Out, counts_text, onlooker, percent, show
from bench.trial.runner import Progress

NS = 10**9


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        """See `TextIO`."""
        return True


def packets(shown: int | None = 0, **more: Any) -> dict[str, Any]:
    """Counts as the judge gives them."""
    counts = {"offered": shown, "shown": shown, "lost": 0, "corrupt": 0, "stray": 0}
    return {"packets": counts | more}


def progress(spent_s: float, **more: Any) -> Progress:
    """How far a trial is, at thirty times real time."""
    ns = round(spent_s * NS)
    return Progress(30 * ns, min(1.0, spent_s / 20), ns, 0, packets(90, **more))


@pytest.fixture
def plain() -> io.StringIO:
    """A stream that is no terminal."""
    return io.StringIO()


# --- plain progress -------------------------------------------------------------------


def test_told_every_five_seconds(plain: io.StringIO) -> None:
    """A line after five seconds, and none before five more have passed."""
    watcher = onlooker(Out(plain), 0.95)
    for tenth in range(173):
        watcher.progress(progress(tenth / 10))
    watcher.close(None)
    lines = plain.getvalue().splitlines()
    assert [line[:5] for line in lines] == [" 25 %", " 50 %", " 75 %"]
    assert lines[0] == (
        " 25 %  2 min 30 s on the line, 30 × real time; 90 of 90 packets shown, none "
        "lost, loss below 0.033 at 95 %"
    )


def test_told_once_at_least(plain: io.StringIO) -> None:
    """A trial that was over before a line was due has its line at the end."""
    watcher = onlooker(Out(plain), 0.95)
    watcher.progress(progress(0.2))
    ends = {"trial_ns": 6 * NS, "spent_ns": NS // 5, "signal": None}
    watcher.close(packets(90) | ends)
    assert plain.getvalue().startswith("100 %  6 s on the line, 30 × real time; 90 of")
    assert plain.getvalue().count("\n") == 1


def test_stopped_is_not_done(plain: io.StringIO) -> None:
    """A trial that was stopped does not claim to be whole."""
    watcher = onlooker(Out(plain), 0.95)
    watcher.close(packets() | {"trial_ns": 0, "spent_ns": 0, "signal": "SIGINT"})
    assert plain.getvalue() == "stop   0 s on the line; no packets\n"


@pytest.mark.parametrize(
    ("counts", "text"),
    [
        (packets(), "no packets"),
        (
            packets(9, offered=11),
            "9 of 11 packets shown, none lost, loss below 0.28 at 95 %",
        ),
        (
            # Clopper and Pearson: the upper bound of 1 in 10 at 95 % is 0.394
            packets(9, offered=10, lost=1),
            "9 of 10 packets shown, 1 lost, loss below 0.39 at 95 %",
        ),
        (
            packets(0, offered=10, corrupt=10),
            "0 of 10 packets shown, 10 corrupt, none lost, loss below 1 at 95 %",
        ),
        (
            packets(1, stray=3),
            "1 of 1 packets shown, 3 stray, none lost, loss below 0.95",
        ),
        (packets(None, offered=7), "7 packets, shown: not observable"),
    ],
)
def test_counts(counts: dict[str, Any], text: str) -> None:
    """What became of the packets so far; what is not observable is no zero."""
    assert counts_text(counts, 0.95).startswith(text)


@pytest.mark.parametrize(
    ("share", "text"), [(0, "  0 %"), (0.999, " 99 %"), (1, "100 %")]
)
def test_percent(share: float, text: str) -> None:
    """Only what is whole is 100 %."""
    assert percent(share) == text


# --- on a terminal --------------------------------------------------------------------


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A terminal of 80 columns that can be drawn on."""
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("NO_COLOR", raising=False)
    return Terminal()


def test_drawn(terminal: Terminal) -> None:
    """Two lines that are drawn over, and wiped at the end."""
    watcher = onlooker(Out(terminal), 0.95)
    watcher.progress(progress(1))
    watcher.progress(progress(2))
    text = terminal.getvalue()
    assert "30 s on the line, 30 × real time" in text
    assert "\n       90 of 90 packets shown, none lost" in text
    watcher.close(None)
    assert terminal.getvalue().endswith(2 * "\x1b[1A\x1b[2K")


def test_page_in_colour(terminal: Terminal) -> None:
    """The words of a page are the same in colour as without."""
    page = Page(8)
    page.field("PASS", "all of it", "good", mark="good")
    show(page, Out(terminal))
    coloured = terminal.getvalue()
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == page.plain()


@pytest.mark.parametrize("term", ["dumb", "unknown"])
def test_dumb_terminal(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch, term: str
) -> None:
    """A terminal that cannot be drawn on gets plain lines."""
    monkeypatch.setenv("TERM", term)
    page = Page(8)
    page.field("PASS", "all of it", "good", mark="good")
    show(page, Out(terminal))
    assert terminal.getvalue() == page.plain()


@pytest.mark.parametrize(
    ("columns", "width"), [("0", 80), ("", 80), ("x", 80), ("-5", 40), ("140", 100)]
)
def test_width(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch, columns: str, width: int
) -> None:
    """A width of zero, or none at all, is taken for the usual one."""
    monkeypatch.setenv("COLUMNS", columns)
    assert Out(terminal).width == width


def test_width_of_a_file(plain: io.StringIO, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a file the terminal's width does not matter."""
    monkeypatch.setenv("COLUMNS", "140")
    assert Out(plain).width == 80


# --- streams that fail ----------------------------------------------------------------


def test_reader_left() -> None:
    """A pipe that nobody reads takes everything and complains of nothing."""
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as stream:
        out = Out(stream)
        for _ in range(3):
            assert out.write("x" * 100_000) == 100_000
            out.flush()
        assert out.failed is None


def test_full() -> None:
    """A stream that cannot be written says why, once, and nothing is raised."""

    class Full(io.StringIO):
        def write(self, text: str) -> int:  # noqa: ARG002
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    out = Out(Full())
    out.write("x")
    out.write("y")
    assert str(out.failed) == (
        "result not written: No space left on device @ standard output"
    )
