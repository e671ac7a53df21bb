"""Signals set a flag, and one orderly stop follows.

The first signal is obeyed; a second one, sent by somebody who cannot wait, is noted and
told at the end; a third one ends the process on the spot.  A signal that the caller has
switched off (`nohup`) stays off.
"""

from __future__ import annotations

import os
import signal
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import FrameType

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP")  # the last one is not known to every system

_SHOW_CURSOR = b"\x1b[?25h"


class Stop:
    """The signals of this process, once it listens; asked, the first one's number.

    Attributes:
        number: The first signal that came, or None.
    """

    def __init__(self) -> None:
        self.number: int | None = None
        self._second: str | None = None
        self._heard: list[int] = []

    def __call__(self) -> int | None:
        """The first signal that came, or None."""
        return self.number

    def listen(self) -> None:
        """Catch signals from here on, those that the caller has not switched off."""
        for name in _NAMES:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) != signal.SIG_IGN:
                signal.signal(number, self._came)
                self._heard.append(number)

    def end(self) -> None:
        """Take no notice of signals any more, and tell of one that was not obeyed.

        All is written by now: what comes later must not change the exit code.
        """
        for number in self._heard:
            signal.signal(number, signal.SIG_IGN)
        if self._second is not None:
            _say(f"{self._second} came while already stopping")

    def _came(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        """Note a signal; nothing here may wait, or use a stream that is in use."""
        name = signal.Signals(number).name
        if self.number is None:
            self.number = number
        elif self._second is None:
            self._second = name
        else:
            if sys.stdout is not None and sys.stdout.isatty():
                os.write(1, _SHOW_CURSOR)
            _say(f"{name}: ended at once; the ledger holds what was written")
            os._exit(128 + number)


def _say(text: str) -> None:
    """A line on standard error, past its buffer."""
    try:
        os.write(2, f"nightbench: {text}\n".encode())
    except OSError:
        return
