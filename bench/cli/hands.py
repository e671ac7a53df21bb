"""The hands of a drive: single keys of a terminal, else commands, one a line.

What is typed is read in a thread of its own, which asks and never waits for traffic.
Single keys need what only POSIX systems have; where that, or a terminal, is not there,
lines are read.  Ctrl-C stays a signal.
"""

from __future__ import annotations

import os
import sys
import threading
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from bench.base.errors import BenchError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from typing import TextIO

    from bench.base.errors import Fault
    from bench.trial.drive.asked.keys import Pressed
    from bench.trial.drive.asked.script import Asked
    from bench.trial.drive.desk import Order

_MOST_READ = 1024
"""What is read of a terminal at once: more than anybody types, or one paste of it."""


@contextmanager
def single_keys(stream: TextIO) -> Iterator[bool]:
    """Let keys come one by one, unechoed; whether they do."""
    try:
        import termios
        import tty
    except ImportError:  # not a POSIX system
        yield False
        return
    try:
        number = stream.fileno()
        before = termios.tcgetattr(number)
    except (termios.error, OSError, ValueError):
        yield False
        return
    tty.setcbreak(number)
    try:
        yield True
    finally:
        with suppress(termios.error):
            termios.tcsetattr(number, termios.TCSADRAIN, before)


class TypingHands:
    """Reads what is typed, and asks for it.

    Attributes:
        by_key: Whether single keys are read.
        at_end: Whether nothing more can come.
    """

    def __init__(
        self, stream: TextIO, refused: Callable[[Fault], None], *, by_key: bool
    ) -> None:
        """Nothing is read yet.

        Args:
            stream: Where it is typed.
            refused: Told what could not be obeyed.
            by_key: Whether keys come one by one.
        """
        from bench.trial.drive.asked.keys import Keyboard

        self._stream = stream
        self._refused = refused
        self._keyboard = Keyboard()
        self._ask: Callable[[Asked], Order] | None = None
        self.by_key = by_key
        self.at_end = False

    @property
    def line(self) -> str | None:
        """What is being typed, or None."""
        return self._keyboard.line

    def take(self, ask: Callable[[Asked], Order]) -> None:
        """Begin to read, in a thread that the process does not wait for."""
        self._ask = ask
        body = self._keys if self.by_key else self._lines
        threading.Thread(target=body, name="hands", daemon=True).start()

    def _keys(self) -> None:
        """Every key until the end."""
        while signs := self._some():
            for pressed in self._keyboard.press(signs):
                self._obey(pressed)
        self.at_end = True

    def _some(self) -> str:
        try:
            return os.read(self._stream.fileno(), _MOST_READ).decode("utf-8", "replace")
        except (OSError, ValueError):
            return ""

    def _lines(self) -> None:
        """Every line until the end, which ends the drive when all is done."""
        from bench.trial.drive.asked.commands import Quit
        from bench.trial.drive.asked.keys import Pressed, understood
        from bench.trial.drive.asked.script import Asked

        try:
            for line in self._stream:
                if not line.lstrip().startswith("#"):
                    self._obey(understood(line))
        except (OSError, ValueError):
            pass
        self.at_end = True
        if self._ends:
            self._obey(Pressed(Asked(Quit(), self._latest_ns)))

    _ends = True
    _latest_ns: int | None = None

    def keep_on(self) -> None:
        """The end of what is typed is not the end of the drive."""
        self._ends = False

    def _obey(self, pressed: Pressed) -> None:
        """Ask for what was understood."""
        if pressed.fault is not None:
            self._refused(pressed.fault)
        if pressed.asked is None or self._ask is None:
            return
        try:
            self._ask(pressed.asked)
        except BenchError as error:
            self._refused(error.fault)
        else:
            self._latest_ns = pressed.asked.at_ns


def hands_of(
    stream: TextIO, refused: Callable[[Fault], None], *, by_key: bool
) -> TypingHands | None:
    """Whoever reads a stream; None where there is none."""
    if stream is None or stream.closed:
        return None
    return TypingHands(stream, refused, by_key=by_key)


def is_terminal(stream: TextIO | None = None) -> bool:
    """Whether standard input is a terminal."""
    stream = sys.stdin if stream is None else stream
    return stream is not None and not stream.closed and stream.isatty()
