"""What is to happen at instants of a night, one line each.

    2h    traffic.foreign.share=40 %
    3.5h  traffic.foreign.share=5 %; traffic.frame_rate=10 Hz
    4h    silence 5min
    5h    command ./power-cycle 3

An instant is time on the line.  A value holds until another is set; several are parted
by ` ; `.  The line rests during a silence and while a command runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from bench.base.errors import BenchError, Fault, UsageError
from bench.base.units import DURATION, parse_duration, shown

if TYPE_CHECKING:
    from collections.abc import Iterable

Kind = Literal["set", "silence", "command"]

_FORM = "TIME PATH=VALUE, TIME silence TIME, or TIME command WORDS"


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is to happen.

    Attributes:
        at_ns: When, in time on the line.
        kind: What.
        sets: Values that hold from then on, each "PATH=VALUE".
        lasts_ns: How long the line rests.
        command: What is run, as a shell takes it.
    """

    at_ns: int
    kind: Kind
    sets: tuple[str, ...] = ()
    lasts_ns: int = 0
    command: str = ""

    def __str__(self) -> str:
        return f"{_typed(self.at_ns)} {self.what}"

    @property
    def what(self) -> str:
        """The same without its instant."""
        if self.kind == "set":
            return "; ".join(self.sets)
        if self.kind == "silence":
            return f"silence {_typed(self.lasts_ns)}"
        return f"command {self.command}"


def change_of(text: str, where: str = "") -> Change:
    """Read one line.

    Args:
        text: As above.
        where: The option, or file and line.

    Raises:
        UsageError: If it means nothing.
    """
    at, _, rest = text.strip().partition(" ")
    word, _, more = rest.strip().partition(" ")
    try:
        at_ns = parse_duration(at, where)
        if word == "silence":
            lasts_ns = parse_duration(more.strip(), where)
            if lasts_ns > 0:
                return Change(at_ns, "silence", lasts_ns=lasts_ns)
        elif word == "command" and more.strip():
            return Change(at_ns, "command", command=more.strip())
        elif rest.strip():
            sets = tuple(part.strip() for part in rest.split(";"))
            if all("=" in part.strip("=") for part in sets):
                return Change(at_ns, "set", sets=sets)
    except BenchError:
        pass
    raise UsageError(Fault("nothing that could happen", shown(text), _FORM, where))


def changes_of(lines: Iterable[str], where: str) -> tuple[Change, ...]:
    """Read a schedule; empty lines and those that begin with `#` are left out.

    Args:
        lines: Its lines.
        where: Its file.

    Raises:
        UsageError: If a line means nothing.
    """
    return tuple(
        change_of(line, f"{where}, line {number}")
        for number, line in enumerate(lines, 1)
        if line.strip() and not line.lstrip().startswith("#")
    )


def _typed(ns: int) -> str:
    """A length of time in the largest unit that is whole."""
    unit = next(unit for unit in DURATION.written if ns % DURATION.units[unit] == 0)
    return f"{ns // DURATION.units[unit]}{unit}"


def in_order(changes: Iterable[Change]) -> tuple[Change, ...]:
    """Changes by when they happen; at one instant in the order as given."""
    return tuple(sorted(changes, key=lambda change: change.at_ns))
