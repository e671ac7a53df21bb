"""Errors that say what is wrong, where, and how to mend it.

An error carries its exit code; only the face of the program exits.  Below it, code
raises, and never prints.

    BenchError
    ├── UsageError     2   an option or an argument
    ├── ProfileError   2   a profile; carries every fault found, not just the first
    ├── LinkError      3   a link lost or refused
    └── LedgerError    5   the ledger cannot be written or read

Verdicts are not errors: 0 pass, 1 fail, 4 void are exit codes of a finished trial, and
128 + n that of one stopped by signal n.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


class ExitCode(IntEnum):
    """What the process says to its caller."""

    PASS = 0
    FAIL = 1
    USAGE = 2
    LINK = 3
    VOID = 4
    LEDGER = 5


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, in the parts of the sentence that reports it.

    Attributes:
        what: What is wrong, in lower case and without a full stop.
        value: The offending value as it was written; "" where there is none.
        expected: What would have been right, range and unit included.
        where: Dotted path, option, file or file and line.
        mend: What to do about it, where more can be said than `expected`.
    """

    what: str
    value: str = ""
    expected: str = ""
    where: str = ""
    mend: str = ""

    def __str__(self) -> str:
        text = f"{self.what}: {self.value}" if self.value else self.what
        if self.expected:
            text += f", expected {self.expected}"
        if self.where:
            text += f" @ {self.where}"
        if self.mend:
            text += f" ({self.mend})"
        return text.replace("\n", " ")


class BenchError(Exception):
    """Any failure that a user can do something about."""

    exit_code = ExitCode.USAGE

    def __init__(self, fault: Fault | str) -> None:
        self.fault = Fault(fault) if isinstance(fault, str) else fault
        super().__init__(str(self.fault))

    @property
    def lines(self) -> Sequence[str]:
        """The report, one line a fault."""
        return [str(self.fault)]


class UsageError(BenchError):
    """An option or an argument that cannot be obeyed."""


class ProfileError(BenchError):
    """A profile with one or more faults, all of them at once."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        if not faults:
            raise ValueError("a profile error needs at least one fault")
        self.faults = tuple(faults)
        super().__init__(self.faults[0])

    @property
    def lines(self) -> Sequence[str]:
        """One line a fault, in the order of the profile."""
        return [str(fault) for fault in self.faults]

    def __str__(self) -> str:
        return "\n".join(self.lines)


class LinkError(BenchError):
    """A link that was lost, or that refused to do what was asked."""

    exit_code = ExitCode.LINK


class LedgerError(BenchError):
    """A ledger that cannot be written, or one that cannot be read."""

    exit_code = ExitCode.LEDGER
