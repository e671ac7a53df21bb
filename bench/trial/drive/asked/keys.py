"""Single keys, and the line that a colon begins.  Sans-IO: characters in, commands out.

While a line is typed, every key is part of it: Return hands it in, Escape forgets it.
A key that means nothing says so and does nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bench.base.errors import BenchError, Fault
from bench.base.units import shown
from bench.trial.drive.asked.commands import (
    BAD,
    CONTROLS,
    Bad,
    Command,
    Go,
    Hold,
    One,
    Quit,
    Trigger,
    Turn,
)
from bench.trial.drive.asked.script import Asked, read_line

LONGEST_LINE = 400
"""Nobody types more by hand."""

PAIRS = {
    "n": "nodes",
    "s": "share",
    "l": "length",
    "r": "rate",
    "p": "pattern",
    "c": "pacing",
    "b": "baud",
}
"""Keys of controls: the small letter turns down, the capital one up."""

SINGLE: dict[str, tuple[Command, str]] = {
    "h": (Hold(), "hold"),
    "g": (Go(), "go on"),
    "1": (One(frame=False), "one packet"),
    "f": (One(frame=True), "one frame"),
    "t": (Trigger(), "trigger"),
    "q": (Quit(), "quit"),
}
"""Keys of other commands, and what they are called."""

BAD_KEYS = dict(zip("5678", BAD, strict=True))
"""Keys of malformed packets."""

KEYS: dict[str, Command] = {
    **{key: Turn(control, up=False) for key, control in PAIRS.items()},
    **{key.upper(): Turn(control, up=True) for key, control in PAIRS.items()},
    **{key: command for key, (command, _) in SINGLE.items()},
    **{key: Bad(kind) for key, kind in BAD_KEYS.items()},
}
"""Every key."""

COLON, ESCAPE = ":", "\x1b"
_RETURNS = "\r\n"
_BACK = "\x7f\b"
_SEQUENCE = re.compile(r"\x1b[\[O][0-9;]*[A-Za-z~]")


@dataclass(frozen=True, slots=True)
class Pressed:
    """What keys came to.

    Attributes:
        asked: What is asked, or None.
        fault: Why it is not understood, or None.
    """

    asked: Asked | None = None
    fault: Fault | None = None


class Keyboard:
    """Takes what is typed.

    Attributes:
        line: What has been typed after a colon so far; None: no line is being typed.
    """

    def __init__(self) -> None:
        self.line: str | None = None

    def press(self, signs: str) -> list[Pressed]:
        """What one read of the terminal brought.

        Cursor and function keys send several characters that begin with Escape; they
        mean nothing here.  Escape alone forgets the line that is being typed.
        """
        pressed = []
        for sign in _SEQUENCE.sub("", signs):
            one = self._one(sign)
            if one.asked is not None or one.fault is not None:
                pressed.append(one)
        return pressed

    def _one(self, sign: str) -> Pressed:
        """One character."""
        if sign == ESCAPE:
            self.line = None
        elif self.line is not None:
            return self._typed(sign)
        elif sign == COLON:
            self.line = ""
        elif sign in KEYS:
            return Pressed(Asked(KEYS[sign]))
        elif sign not in _RETURNS:
            return Pressed(
                None, Fault("no such key", shown(sign), "those listed, or :")
            )
        return Pressed()

    def _typed(self, sign: str) -> Pressed:
        """One character of a line."""
        assert self.line is not None
        if sign in _RETURNS:
            line, self.line = self.line, None
            return understood(line)
        if sign in _BACK:
            self.line = self.line[:-1] if self.line else None
        elif sign.isprintable() and len(self.line) < LONGEST_LINE:
            self.line += sign
        return Pressed()


def understood(line: str) -> Pressed:
    """A whole typed line; an empty one asks for nothing."""
    if not line.strip():
        return Pressed()
    try:
        return Pressed(read_line(line.strip().removeprefix(COLON)))
    except BenchError as error:
        return Pressed(None, error.fault)


def key_lines() -> list[tuple[str, str]]:
    """Every key and what it does, for a help page."""
    lines = [
        (f"{key} {key.upper()}", f"{CONTROLS[control]}, down and up")
        for key, control in PAIRS.items()
    ]
    lines += [(key, words) for key, (_, words) in SINGLE.items()]
    lines += [(key, f"bad packet: {BAD[kind]}") for key, kind in BAD_KEYS.items()]
    return [*lines, (COLON, "type a command; Return ends it, Escape forgets it")]
