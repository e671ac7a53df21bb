"""Scripts: commands with the instants of the trial at which they are obeyed.

    # a note for the reader
    at 12.5 s set traffic.foreign.share=30 %
    at 13 s hold
    at 13.25 s bad check
    at 20 s quit

One command a line, in the order of their instants; empty lines, and what follows a #
that begins a line, mean nothing.  An instant is time on the line since the first
character could be due; a command is obeyed between the two packets that are next to it.
What a drive writes down reads back as the same, to the nanosecond.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError
from bench.base.units import DURATION, parse_duration, shown
from bench.trial.drive.asked.commands import read, written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.trial.drive.asked.commands import Command

MOST_LINES = 100_000
"""More were not written by hand, nor by a day of turning."""

_AT = re.compile(r"at\s+([0-9.]+\s*[A-Za-zµμ]+)\s+(\S.*)")


@dataclass(frozen=True, slots=True)
class Asked:
    """A command, and when it is to be obeyed.

    Attributes:
        command: What is asked.
        at_ns: Instant of the trial; None: as soon as possible.
    """

    command: Command
    at_ns: int | None = None


def read_line(text: str, where: str = "") -> Asked:
    """A typed line: a command, with an instant or without.

    Raises:
        UsageError: If it is none.
    """
    found = _AT.fullmatch(text.strip())
    if found is None:
        return Asked(read(text, where))
    return Asked(read(found[2], where), parse_duration(found[1], where))


def read_script(text: str, name: str) -> list[Asked]:
    """The commands of a script.

    Args:
        text: All of it.
        name: Of the file, for faults.

    Raises:
        UsageError: With the first line that is none.
    """
    asked: list[Asked] = []
    lines = text.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}").splitlines()
    if len(lines) > MOST_LINES:
        fault = Fault("too long", f"{len(lines)} lines", f"at most {MOST_LINES}", name)
        raise UsageError(fault)
    latest_ns = 0
    for number, line in enumerate(lines, 1):
        stripped, where = line.strip(), f"{name}:{number}"
        if not stripped or stripped.startswith("#"):
            continue
        one = read_line(stripped, where)
        if one.at_ns is None:
            expected = "at TIME and a command"
            raise UsageError(Fault("no instant", shown(stripped), expected, where))
        if one.at_ns < latest_ns:
            expected = f"{DURATION.text(latest_ns)} or later"
            raise UsageError(Fault("out of order", shown(stripped), expected, where))
        latest_ns = one.at_ns
        asked.append(one)
    return asked


def script_line(at_ns: int, command: Command) -> str:
    """One line of a script."""
    return f"at {DURATION.text(at_ns)} {written(command)}"


def written_script(asked: Sequence[Asked], notes: Sequence[str] = ()) -> str:
    """A script, with notes for the reader at its head."""
    lines = [f"# {note}" for note in notes]
    lines += [script_line(one.at_ns or 0, one.command) for one in asked]
    return "".join(f"{line}\n" for line in lines)
