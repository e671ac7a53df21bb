"""One wire out of a value change dump (IEEE 1364-2005, clause 18), as level changes.

The file comes in pieces of any size and is never held whole.  It is free text: tokens
parted by white space, as many or as few on a line as its writer liked, so it is read
token by token.  Signals go by their whole path; several may share a code.  A vector's
short value is extended to the left, and one bit of it is found by the range that was
declared, in either direction.  What is neither 0 nor 1 is no level.

Times are whole numbers of the file's time scale, without which nothing is read; they
are given in ns, rounded down.  Some writers let time go back by a tick: such a change
counts at the latest time before it, and they are counted.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

_UNITS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
"""Decimal places of a second."""

_SCALE = re.compile(r"([0-9]+(?:\.[0-9]+)?)(.*)", re.DOTALL)

_RANGE = re.compile(r"(.*?)\s*\[\s*(-?\d+)\s*(?::\s*(-?\d+)\s*)?\]", re.DOTALL)

_ASIDE = frozenset((b"$comment", b"$date", b"$version", b"$attrbegin", b"$attrend"))
"""Commands whose text is nothing for us."""

_DUMPS = frozenset((b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end"))
"""Words around value changes, which count wherever they stand."""

_HASH = ord("#")
_SCALARS, _VECTORS, _OTHERS = b"01xXzZ", b"bB", b"rRsS"
"""What a time, a scalar, a vector and other values begin with."""

_LISTED = 6
"""Names that a fault lists."""

_LONGEST = 1 << 20
"""Octets of a token at most: a file without white space is no such dump."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One declared variable, or one bit of one.

    Attributes:
        path: Scopes and name, parted by dots.
        code: What stands for it in the file.
        width: Its bits.
        left: Index of the leftmost one.
        right: Of the rightmost one.
        bit: How many places from the right the wanted bit is.
    """

    path: str
    code: bytes
    width: int
    left: int
    right: int
    bit: int = 0


class VcdFile:
    """A dump, read from its beginning to the end of its declarations.

    Attributes:
        signals: What it declares, in its order.
        scale_ns: One tick, in ns.
        went_back: Changes that were stamped earlier than one before them.
        until_ns: The latest time that was read.
    """

    def __init__(self, pieces: Iterable[bytes], name: str = "capture") -> None:
        """Read the declarations.

        Args:
            pieces: The file, in order.
            name: What the user called it, for faults.

        Raises:
            UsageError: If it is no such file, or says no time scale.
        """
        self._name = name
        self._tokens = _tokens(pieces, name)
        self.signals: list[Signal] = []
        self.scale_ns = Fraction(0)
        self.went_back = 0
        self.until_ns = 0
        self._declarations()
        if not self.scale_ns:
            raise self._refused("no time scale", "$timescale 10 ns $end")

    def find(self, wanted: str | None = None) -> Signal:
        """A signal by its path, or an end of it; one bit of a vector by its index.

        Args:
            wanted: "top.node1.rx", "rx", "gpio[3]"; None where there is only one wire.

        Raises:
            UsageError: If there is none, or several.
        """
        if wanted is None:
            found = [signal for signal in self.signals if signal.width == 1]
        else:
            found = self._named(wanted)
        codes = {(signal.code, signal.bit) for signal in found}
        if len(codes) == 1:
            return found[0]
        names = sorted({_shown(signal) for signal in found or self.signals})
        shown = ", ".join(names[:_LISTED]) + (", …" if len(names) > _LISTED else "")
        if found:
            what = "several signals" if wanted is None else "name of several signals"
            mend = "name one by its whole path: --signal"
            raise UsageError(Fault(what, wanted or "", shown, self._name, mend))
        near = get_close_matches(wanted or "", names, 1)
        mend = f"did you mean {near[0]}?" if near else ""
        raise UsageError(Fault("no such signal", wanted or "", shown, self._name, mend))

    def changes(self, signal: Signal) -> Iterator[tuple[int, int | None]]:
        """The levels of a signal, (time in ns, 0, 1, or None for neither), as told.

        A level may be told again; of several at one instant the last one holds, so a
        pulse without a width is none.  It reads the file to its end, once.

        Raises:
            UsageError: Where the file is not what the standard says.
        """
        held: tuple[int, int | None] | None = None
        for change in self._told(signal):
            if held is not None and held[0] != change[0]:
                yield held
            held = change
        if held is not None:
            yield held

    def _told(self, signal: Signal) -> Iterator[tuple[int, int | None]]:
        """Every change of it."""
        num, den = self.scale_ns.numerator, self.scale_ns.denominator
        code, bit, scalar = signal.code, signal.bit, signal.width == 1
        latest = 0
        tokens = self._tokens
        for token in tokens:
            first = token[0]
            if first == _HASH:
                tick = self._tick(token)
                if tick < latest:
                    self.went_back += 1
                else:
                    latest = tick
                    self.until_ns = latest * num // den
            elif first in _SCALARS:
                if scalar and token[1:] == code:
                    yield self.until_ns, _LEVELS.get(first)
            elif first in _VECTORS:
                if next(tokens, b"") == code:
                    yield self.until_ns, _LEVELS.get(_bit(token[1:], bit))
            elif first in _OTHERS:
                next(tokens, b"")
            elif token in _ASIDE:
                self._skip()
            elif token not in _DUMPS:
                raise self._refused("not a value change", "", token)

    # --- declarations -----------------------------------------------------------------

    def _declarations(self) -> None:
        """Read up to their end."""
        scopes: list[str] = []
        for token in self._tokens:
            words = [] if token in _DUMPS else self._until_end(token)
            if token == b"$enddefinitions":
                return
            if token == b"$scope":
                scopes.append(words[-1] if words else "")
            elif token == b"$upscope":
                if scopes:
                    scopes.pop()
            elif token == b"$timescale":
                self.scale_ns = self._scale("".join(words))
            elif token == b"$var":
                self.signals.append(self._variable(words, scopes))
            elif token[:1] != b"$":
                raise self._refused("no value change dump", "$command … $end", token)
        raise self._refused("its declarations do not end", "$enddefinitions $end")

    def _until_end(self, token: bytes) -> list[str]:
        """The words of a command."""
        if token[:1] != b"$":
            return []
        words: list[str] = []
        for word in self._tokens:
            if word == b"$end":
                return words
            words.append(word.decode("utf-8", "replace"))
        raise self._refused("a command does not end", "$end", token)

    def _skip(self) -> None:
        """Over a command's text."""
        for word in self._tokens:
            if word == b"$end":
                return

    def _scale(self, text: str) -> Fraction:
        """One tick in ns."""
        found = _SCALE.fullmatch(text)
        places = _UNITS.get(found[2].strip()) if found else None
        if found is None or places is None or not Fraction(found[1]):
            expected = "a number and s, ms, us, ns, ps or fs"
            raise self._refused("not a time scale", expected, text.encode())
        return Fraction(found[1]) * Fraction(10**9, 10**places)

    def _variable(self, words: list[str], scopes: list[str]) -> Signal:
        """A declared variable."""
        if len(words) < 4 or not words[1].isdecimal():
            raise self._refused("not a variable", "$var wire 1 ! name $end")
        width, code = int(words[1]), words[2].encode()
        name = " ".join(words[3:])
        left, right = max(width - 1, 0), 0
        if found := _RANGE.fullmatch(name):
            if found[3] is not None:
                name, left, right = found[1], int(found[2]), int(found[3])
            else:  # one bit that is declared by itself
                name = f"{found[1]}[{found[2]}]"
        return Signal(".".join([*scopes, name]), code, width, left, right)

    # --- names ------------------------------------------------------------------------

    def _named(self, wanted: str) -> list[Signal]:
        """The signals that a name may mean: a whole path before an end of one."""
        for same in (_whole, _ends):
            if found := [one for one in self.signals if same(one.path, wanted)]:
                return [self._single(one) for one in found]
            if (part := _RANGE.fullmatch(wanted)) and part[3] is None:
                name, index = part[1], int(part[2])
                found = [one for one in self.signals if same(one.path, name)]
                if found:
                    return [self._bit_of(one, index) for one in found]
        return []

    def _single(self, signal: Signal) -> Signal:
        """A signal that is a wire."""
        if signal.width == 1:
            return signal
        value = f"{signal.path} has {signal.width} bits"
        mend = f"name one: {signal.path}[{signal.right}]"
        raise UsageError(Fault("not one wire", value, where=self._name, mend=mend))

    def _bit_of(self, signal: Signal, index: int) -> Signal:
        """One bit of a vector, by the range that was declared."""
        step = 1 if signal.left >= signal.right else -1
        place = (index - signal.right) * step
        if not 0 <= place < signal.width:
            bits = f"{signal.path}[{signal.left}:{signal.right}]"
            raise UsageError(Fault("no such bit", str(index), bits, self._name))
        path = f"{signal.path}[{index}]"
        return Signal(path, signal.code, signal.width, index, index, place)

    def _tick(self, token: bytes) -> int:
        try:
            return int(token[1:])
        except ValueError:
            raise self._refused("not a time", "#1234", token) from None

    def _refused(self, what: str, expected: str, value: bytes = b"") -> UsageError:
        shown = value[:40].decode("utf-8", "replace")
        return UsageError(Fault(what, shown, expected, self._name))


_LEVELS = {0x30: 0, 0x31: 1}


def _whole(path: str, wanted: str) -> bool:
    return path == wanted


def _ends(path: str, wanted: str) -> bool:
    return path.endswith(f".{wanted}")


def _shown(signal: Signal) -> str:
    if signal.width == 1 or signal.left == signal.right:
        return signal.path
    return f"{signal.path}[{signal.left}:{signal.right}]"


def _bit(digits: bytes, place: int) -> int:
    """One bit of a vector's value; a short one goes on as its leftmost bit says."""
    if place < len(digits):
        return digits[-1 - place]
    leftmost = digits[0] if digits else 0x78
    return 0x30 if leftmost == 0x31 else leftmost


def _tokens(pieces: Iterable[bytes], name: str) -> Iterator[bytes]:
    """What white space parts, however the file was cut."""
    left = b""
    for piece in pieces:
        tokens = (left + piece).split()
        left = b""
        if tokens and not piece[-1:].isspace():
            left = tokens.pop()
            if len(left) > _LONGEST:
                raise UsageError(Fault("no value change dump", where=name))
        yield from tokens
    if left:
        yield left
