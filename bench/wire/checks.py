"""Checks: any CRC of the catalogue or by its parameters, sums, xor, Fletcher.

A check is named as the catalogue of parametrised CRC algorithms (G. Cook) names it,
"CRC-16/MODBUS", or given by its parameters; an alias of the catalogue will do where it
means one algorithm.  A name that means several ("CRC-16", "CRC-16/CCITT") is refused
with all that it could mean and what each gives for "123456789": to guess is to be wrong
on site.  The order of the octets on the wire is no part of the algorithm.

CRCs are computed by the library `anycrc`, the others here in plain Python.  The fields
of a `Check` bear the names of the catalogue's parameters, which the kernels take too.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from enum import IntEnum
from functools import cache, reduce
from itertools import accumulate
from operator import xor
from typing import TYPE_CHECKING, Protocol

import anycrc

from bench.base.errors import BenchError, Fault

if TYPE_CHECKING:
    from collections.abc import Iterable

    from typing_extensions import Buffer

    from bench.profile.model import Order

CHECK_INPUT = b"123456789"
"""What the catalogue's check values are computed over."""

_FAMILIES = {"CCITT": 0x1021, "ITU": 0x1021, "IBM": 0x8005, "ANSI": 0x8005}
"""Bodies whose names are used for every 16-bit CRC with their polynomial."""


class Kind(IntEnum):
    """How a check is computed; the numbers are those of the kernels."""

    NONE = 0
    CRC = 1
    SUM = 2  # of octets, modulo 2^width, then xor `xorout`, plus `init`
    XOR = 3
    FLETCHER = 4  # two sums of half the width, modulo all ones


class Parameters(Protocol):
    """A CRC without a name, in the terms of the catalogue."""

    @property
    def width(self) -> int: ...  # noqa: D102
    @property
    def poly(self) -> int: ...  # noqa: D102
    @property
    def init(self) -> int: ...  # noqa: D102
    @property
    def refin(self) -> bool: ...  # noqa: D102
    @property
    def refout(self) -> bool: ...  # noqa: D102
    @property
    def xorout(self) -> int: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Check:
    """One algorithm.

    Attributes:
        name: Its canonical name; its parameters where it has none.
        kind: How it is computed.
        width: Bits of its value.
        poly: CRC: the polynomial, highest power left out.
        init: CRC: the register before the first octet; SUM: added at the end.
        refin: CRC: whether octets enter low bit first.
        refout: CRC: whether the register is turned round at the end.
        xorout: Xored into the result; SUM: before `init` is added.
    """

    name: str
    kind: Kind
    width: int
    poly: int = 0
    init: int = 0
    refin: bool = False
    refout: bool = False
    xorout: int = 0

    @classmethod
    def named(cls, algorithm: str | Parameters) -> Check:
        """The check of a name, or of the parameters of a CRC.

        Raises:
            BenchError: If the name is unknown or means several algorithms, or if a
                parameter does not fit the width.
        """
        if isinstance(algorithm, str):
            return _by_name(algorithm)
        return _by_parameters(algorithm)

    @property
    def size(self) -> int:
        """Octets of its value on the wire; bits above `width` are zero there."""
        return -(-self.width // 8)

    @property
    def parameters(self) -> tuple[int, int, int, bool, bool, int]:
        """What the catalogue states of a CRC; two that share it are one algorithm."""
        ends = (self.refin, self.refout, self.xorout)
        return (self.width, self.poly, self.init, *ends)

    def compute(self, octets: Buffer) -> int:
        """Its value over some octets, a number of `width` bits."""
        data = bytes(octets)
        if self.kind == Kind.CRC:
            return int(anycrc.CRC(*self.parameters).calc(data))
        if self.kind == Kind.SUM:
            return ((sum(data) ^ self.xorout) + self.init) % (1 << self.width)
        if self.kind == Kind.XOR:
            return reduce(xor, data, 0)
        return _fletcher(data, self.width // 2) if self.kind == Kind.FLETCHER else 0


def _fletcher(data: bytes, half: int) -> int:
    """Two sums modulo 2^half - 1: of the words, and of the first sum after each word.

    J. Fletcher, "An arithmetic checksum for serial transmissions", 1982.  A word has
    its low octet first, and the last one is filled up with zeros.
    """
    step, modulus = half // 8, (1 << half) - 1
    words: Iterable[int] = data
    if step > 1:
        words = [
            int.from_bytes(data[at : at + step], "little")
            for at in range(0, len(data), step)
        ]
    sums = list(accumulate(words))
    low = sums[-1] if sums else 0
    return (sum(sums) % modulus) << half | low % modulus


_SIMPLE = {
    check.name: check
    for check in (
        Check("none", Kind.NONE, 0),
        Check("sum-8", Kind.SUM, 8),
        Check("sum-16", Kind.SUM, 16),
        Check("lrc-8", Kind.SUM, 8, init=1, xorout=0xFF),  # two's complement of the sum
        Check("xor-8", Kind.XOR, 8),
        Check("fletcher-16", Kind.FLETCHER, 16),
        Check("fletcher-32", Kind.FLETCHER, 32),
    )
}


# --- names ----------------------------------------------------------------------------


def _spelled(name: str) -> str:
    """The catalogue's spelling of a name of the library: CRC16-ARC is CRC-16/ARC."""
    return re.sub(r"^CRC(\d+)", r"CRC-\1", re.sub(r"^(CRC\d+)-", r"\1/", name))


@cache
def catalogue() -> dict[str, Check]:
    """Every CRC of the catalogue by its canonical name, in order of width and name."""
    checks = {}
    for spelling, model in anycrc.models.items():
        name = _spelled(spelling)
        checks[name] = Check(name, Kind.CRC, *model[:6])
    return checks


def _key(name: str) -> str:
    """A name without case and punctuation: these are spelled in many ways."""
    return re.sub(r"[^A-Z0-9]", "", name.upper())


def _words(name: str) -> list[str]:
    return re.findall(r"[A-Z0-9]+", name.upper())


@cache
def _keys() -> dict[str, Check]:
    """Every name that means one algorithm."""
    checks = {_key(name): check for name, check in catalogue().items()}
    for alias, spelling in anycrc.aliases.items():
        checks[_key(alias)] = catalogue()[_spelled(spelling)]
    checks |= {_key(name): check for name, check in _SIMPLE.items()}
    return checks


def _by_name(name: str) -> Check:
    """One check by its name, or a refusal that names the nearest."""
    if candidates := _meanings(name):
        listed = ", ".join(_with_value(check) for check in candidates)
        raise BenchError(
            Fault(
                "the name of a check means several algorithms",
                name,
                f"one of {listed}",
                mend="in brackets: its value over the octets of 123456789",
            )
        )
    if check := _keys().get(_key(name)):
        return check
    names = {_key(other): other for other in (*catalogue(), *_SIMPLE)}
    names |= {_key(other): _spelled(other) for other in anycrc.aliases}
    near = [names[key] for key in get_close_matches(_key(name), names)]
    nearest = ", ".join(dict.fromkeys(near))
    raise BenchError(
        Fault(
            "unknown check",
            name,
            "a name of the catalogue of parametrised CRC algorithms or one of "
            + ", ".join(_SIMPLE),
            mend=f"nearest: {nearest}" if nearest else "or give its parameters",
        )
    )


def _with_value(check: Check) -> str:
    return f"{check.name} ({check.compute(CHECK_INPUT):0{-(-check.width // 4)}X}h)"


def _meanings(name: str) -> list[Check]:
    """What a name could mean that names only a width or a family; else nothing."""
    key, words = _key(name), _words(name)
    if width := re.fullmatch(r"CRC(\d+)", key):
        return [c for c in catalogue().values() if c.width == int(width[1])]
    if family := re.fullmatch(r"(?:CRC(?:16)?)?(CCITT|ITU|IBM|ANSI)", key):
        poly = _FAMILIES[family[1]]
        return [c for c in catalogue().values() if (c.width, c.poly) == (16, poly)]
    if key in _keys() or not words:
        return []
    return [
        check
        for canonical, check in catalogue().items()
        if _begins(_words(canonical), words) or _begins(_words(canonical)[2:], words)
    ]


def _begins(words: list[str], start: list[str]) -> bool:
    return start != ["CRC"] and words[: len(start)] == start


def _by_parameters(given: Parameters) -> Check:
    """One CRC by its parameters; under its catalogue name where it has one."""
    digits = -(-given.width // 4)
    for field in ("poly", "init", "xorout"):
        value = getattr(given, field)
        if not 0 <= value < 2**given.width:
            raise BenchError(
                Fault(
                    "a parameter of the CRC does not fit its width",
                    f"{value:X}h",
                    f"at most {2**given.width - 1:X}h for {given.width} bits",
                    where=field,
                )
            )
    values = (given.width, given.poly, given.init)
    ends = (given.refin, given.refout, given.xorout)
    name = (
        f"CRC-{given.width} poly {given.poly:0{digits}X}h init {given.init:0{digits}X}h"
        + " refin" * given.refin
        + " refout" * given.refout
        + f" xorout {given.xorout:0{digits}X}h"
    )
    check = Check(name, Kind.CRC, *values, *ends)
    for known in catalogue().values():
        if check.parameters == known.parameters:
            return known
    return check


# --- why a check fails ----------------------------------------------------------------


def diagnose(
    check: Check, octets: Buffer, value_octets: Buffer, order: Order
) -> str | None:
    """A hint to what is wrong with a check that fails.

    Args:
        check: The check that was expected.
        octets: What it covers.
        value_octets: Its value as it was on the wire.
        order: The order in which its octets were expected.

    Returns:
        What would make it valid, None where nothing does or where it is valid.  An
        8-bit value fits one algorithm in 256 by chance, so for these only algorithms
        with the same polynomial are tried.
    """
    covered, value = bytes(octets), bytes(value_octets)
    found = int.from_bytes(value, order)
    turned = int.from_bytes(value[::-1], order)
    expected = check.compute(covered)
    if found == expected:
        return None
    if turned == expected:
        return "valid if the octets are swapped"
    hints = []
    for other in _siblings(check):
        other_value = other.compute(covered)
        if other_value == found:
            hints.append(f"as {other.name}")
        elif other_value == turned:
            hints.append(f"as {other.name} with the octets swapped")
    return "valid " + " or ".join(hints) if hints else None


def _siblings(check: Check) -> list[Check]:
    """Algorithms that are taken for this one, the likeliest first."""
    simple = [c for c in _SIMPLE.values() if c.size == check.size]
    crcs = [c for c in catalogue().values() if c.width == check.width]
    same = [c for c in crcs if check.kind == Kind.CRC and c.poly == check.poly]
    rest = [c for c in crcs if c not in same] if check.size > 1 else []
    if check.kind == Kind.CRC:
        return same + rest + (simple if check.size > 1 else [])
    return simple + rest
