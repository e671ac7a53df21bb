"""Lines of C: constants that the preprocessor can compute with, and their comments.

A constant is unsigned and as wide as it needs to be on any compiler, and has no cast,
so that `#if` takes it.  A time is in whole nanoseconds; one that is none is rounded up,
which the comment says with the exact value, since what is stated are times that must
pass at the least.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.report.header.names import comment

if TYPE_CHECKING:
    from collections.abc import Iterable

_RULE = 72
"""Width of the line over a part of the header."""

_SHORT = 24
"""Longer values do not push the comments of the others aside."""


def number(value: int) -> str:
    """A constant in decimal."""
    return f"(-{-value}L)" if value < 0 else f"{value}{_suffix(value)}"


def hexadecimal(value: int, octets: int = 1) -> str:
    """A constant of so many octets in hexadecimal."""
    return f"0x{value:0{2 * octets}X}{_suffix(value)}"


def octet_list(octets: Iterable[int]) -> str:
    """An initialiser of an array."""
    return "{" + ", ".join(hexadecimal(octet) for octet in octets) + "}"


def number_list(values: Iterable[int]) -> str:
    """An initialiser of an array, in decimal."""
    return "{" + ", ".join(number(value) for value in values) + "}"


def exact(value: Fraction) -> str:
    """A number that may be no whole one, written exactly: 3333 1/3."""
    whole, rest = divmod(value.numerator, value.denominator)
    if not rest:
        return f"{whole}"
    part = f"{rest}/{value.denominator}"
    return f"{whole} {part}" if whole else part


def _suffix(value: int) -> str:
    """The suffix that makes a constant unsigned and wide enough where int has 16 bits.

    Raises:
        ValueError: If it needs more than 64 bits.
    """
    if value >= 1 << 64:
        raise ValueError(f"{value} does not fit 64 bits")
    return "U" if value < 1 << 16 else "UL" if value < 1 << 32 else "ULL"


@dataclass
class Part:
    """A part of a header: constants under one heading.

    Attributes:
        prefix: What every name begins with.
        title: Over it.
    """

    prefix: str
    title: str
    _rows: list[tuple[str, str, str]] = field(default_factory=list)

    def say(self, text: str) -> None:
        """A comment on a line of its own."""
        self._rows.append(("", "", text))

    def define(self, name: str, value: str, what: str = "") -> None:
        """A constant."""
        self._rows.append((f"{self.prefix}_{name}", value, what))

    def mark(self, name: str, what: str = "") -> None:
        """A constant that is there or not, for `#ifdef`."""
        self.define(name, "1", what)

    def either(self, name: str, which: bool, what: str) -> None:
        """A constant that is 1 or 0, which is how a truth reads in `#if`."""
        self.define(name, number(int(which)), what)

    def time(self, name: str, ns: Fraction | int, what: str) -> None:
        """A time in nanoseconds."""
        whole, remark = _rounded(Fraction(ns), "ns")
        self.define(f"{name}_NS", number(whole), what + remark)

    def cycles(self, name: str, ns: Fraction | int, clock_hz: int) -> None:
        """A time in cycles of the processor's clock."""
        whole, remark = _rounded(Fraction(ns) * clock_hz / NS_PER_S, "cycles")
        self.define(f"{name}_CYCLES", number(whole), remark.removeprefix("; "))

    def lines(self) -> list[str]:
        """The part as text, a blank line first."""
        across = max((len(name) for name, _, _ in self._rows), default=0)
        short = [len(value) for _, value, what in self._rows if what]
        beside = max((size for size in short if size <= _SHORT), default=0)
        text = ["", comment(f"--- {self.title} {'-' * (_RULE - len(self.title))}"), ""]
        for name, value, what in self._rows:
            if not name:
                text.append(comment(what))
                continue
            line = f"#define {name:<{across}}  {value:<{beside}}"
            text.append(f"{line}  {comment(what)}" if what else line.rstrip())
        return text


def _rounded(value: Fraction, unit: str) -> tuple[int, str]:
    """A number rounded up, and what is to be said of that."""
    whole = -(-value.numerator // value.denominator)
    remark = "" if value == whole else f"; exactly {exact(value)} {unit}, rounded up"
    return whole, remark
