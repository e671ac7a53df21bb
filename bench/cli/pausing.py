"""A pause of a night: asked for by a key, or by a signal where there is no terminal."""

from __future__ import annotations

import signal
import sys
import threading
from contextlib import ExitStack, suppress

KEYS = "p pauses and goes on, Ctrl-C ends"
"""What keys do, for a person."""


class Pause:
    """Whether somebody asks for a pause: by the key p, or by SIGUSR1."""

    def __init__(self) -> None:
        self._asked = False

    def __call__(self) -> bool:
        """Whether the line is to rest."""
        return self._asked

    def turn(self) -> None:
        """Rest, or go on."""
        self._asked = not self._asked

    def listen(self) -> None:
        """Read keys, in a thread that the process does not wait for."""
        threading.Thread(target=self._keys, name="keys", daemon=True).start()

    def by_signal(self) -> ExitStack:
        """Obey the signal as long as the context lasts."""
        stack, number = ExitStack(), getattr(signal, "SIGUSR1", None)
        main = threading.current_thread() is threading.main_thread()
        if number is not None and main:
            before = signal.signal(number, lambda *_: self.turn())
            stack.callback(signal.signal, number, before)
        return stack

    def _keys(self) -> None:
        with suppress(OSError, ValueError):
            while signs := sys.stdin.read(1):
                if signs in "pP ":
                    self.turn()
