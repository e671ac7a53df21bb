"""What a command of the user reads every minute: a temperature, a supply.

It writes `name=value` words, or one bare number; numbers stay numbers.  It is run
beside the traffic and never waited for.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.trial.soak.asked import Commands

EVERY_NS = 60 * NS_PER_S

MOST_S = 50.0
"""One that takes longer is ended."""

_NAMES = 32
_LONGEST = 100


class Readings:
    """Runs the command, and keeps what it read until an interval takes it."""

    def __init__(
        self,
        command: str | None,
        commands: Commands,
        event: Callable[[str, str], None],
    ) -> None:
        """Nothing read.

        Args:
            command: The command; None: there is none.
            commands: Runs it.
            event: Told once when it fails, and once when it does no more.
        """
        self._command = command
        self._commands = commands
        self._event = event
        self._due_ns: int | None = None
        self._values: dict[str, float | str] = {}
        self._failing = False

    def look(self, now_ns: int) -> None:
        """Run it if it is time, and hear what it said."""
        if self._command is None:
            return
        if self._due_ns is None or now_ns >= self._due_ns:
            self._due_ns = now_ns + EVERY_NS
            self._commands.begin(self._command, MOST_S)
        said = self._commands.ended()
        if said is None:
            return
        values = values_of(said.text) if said.code == 0 else {}
        self._values |= values
        if not values and not self._failing:
            why = f"exit code {said.code}" if said.code else "nothing to read"
            line = said.text.strip().splitlines()[:1]
            text = f"{self._command}: {line[0][:_LONGEST] if line else why}"
            self._event("reading failed", text)
        elif values and self._failing:
            self._event("reading back", self._command)
        self._failing = not values

    def taken(self) -> dict[str, float | str]:
        """What was read since the last call."""
        values, self._values = self._values, {}
        return values


def values_of(text: str) -> dict[str, float | str]:
    """Values by name in what a command wrote; a bare number is called "reading"."""
    values: dict[str, float | str] = {}
    for word in text.split():
        name, equals, value = word.partition("=")
        if equals and name and len(values) < _NAMES:
            values[name[:_LONGEST]] = _value(value[:_LONGEST])
    if not values:
        lone = _value(text.strip()[:_LONGEST])
        if isinstance(lone, float):
            values["reading"] = lone
    return values


def _value(text: str) -> float | str:
    """A number where it is one that JSON can say."""
    try:
        number = float(text)
    except ValueError:
        return text
    return number if math.isfinite(number) else text
