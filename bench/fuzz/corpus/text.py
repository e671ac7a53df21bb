"""One case as a text file.

    nightbench case 1
    profile causeway
    set output.clock=2 MHz
    digest 0f6c…
    seed 7
    number 1234
    before 1
    around after fill
    attack length-zero
    oracle alive
    row length-zero 2 0
    rate 5 of 5
    text …
    send …
    octets A5 5A 02 00 00
    should …
    did …
    check 1f2e3d4c

A line is a word, a space, and the rest.  The first line states the version; the last
one the check, CRC-32/ISO-HDLC in lower case over all octets before it.  Both stay as
they are in every version, so that a newer file is told from a damaged one.  Rows name
their kind, since numbers of kinds may change.  A byte order mark and line ends of
another system are no damage.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING
from zlib import crc32

from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.fuzz.shrink.rate import Rate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

VERSION = 1

MOST_OCTETS = 1 << 20
"""A file that is longer holds no case: the longest are a few thousand octets."""

_FEW = tuple("012345678")
"""A case has room for so many good packets before it."""

_FIRST = re.compile(rb"nightbench case ([1-9][0-9]{0,8})", re.ASCII)
_NUMBER = re.compile(r"0|-?[1-9][0-9]{0,18}", re.ASCII)
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,63}", re.ASCII)
_RATE = re.compile(r"(0|[1-9][0-9]{0,8}) of (0|[1-9][0-9]{0,8})", re.ASCII)
_DIGEST = re.compile(r"[0-9a-f]{32}", re.ASCII)

Row = tuple[str, int, int]


@dataclass(frozen=True, slots=True)
class Kept:
    """A case as it is kept.

    Attributes:
        profile: The profile as it was named, one line.
        sets: What was overridden, `PATH=VALUE` each.
        digest: Of the resolved profile.
        seed: Of the campaign, for the good traffic around.
        number: Of the case in it.
        before: Good packets that lead it.
        around: Which good traffic follows: "after", "fill", both, or "".
        rows: Kind by name, place, value.
        attack: Which attack found it.
        oracle: What it breaks.
        rate: How often it failed, and of how many times.
        text: What is wrong, in a sentence.
        send: What to send, in words, a line each.
        octets: The same as the octets of the line.
        should: What should have happened.
        did: What did.
    """

    profile: str
    digest: str
    seed: int
    number: int
    before: int
    around: str
    rows: tuple[Row, ...]
    attack: str
    oracle: str
    sets: tuple[str, ...] = ()
    rate: Rate = field(default=Rate(0, 0))
    text: str = ""
    send: tuple[str, ...] = ()
    octets: tuple[str, ...] = ()
    should: str = ""
    did: str = ""

    @property
    def name(self) -> str:
        """What its file is called: by what it sends, so that it is there once."""
        sent = self.seed, self.number, self.before, self.around, self.rows
        told = repr((self.digest, sent, self.oracle))
        return f"{self.oracle}-{self.attack}-{crc32(told.encode()):08x}.case"


# --- written --------------------------------------------------------------------------


def case_text(kept: Kept) -> bytes:
    """The file of a case."""
    lines = [f"nightbench case {VERSION}"]
    for word in _ORDER:
        value = getattr(kept, _ATTRIBUTE.get(word, word))
        values = value if word in _MANY else (value,)
        lines += [
            f"{word} {one_line(_written(word, each))}".rstrip() for each in values
        ]
    body = "".join(f"{line}\n" for line in lines).encode()
    return body + b"check %08x\n" % crc32(body)


def _written(word: str, value: object) -> str:
    """A value as it stands in the file."""
    if word == "row":
        assert isinstance(value, tuple)
        return " ".join(str(part) for part in value)
    return str(value)


def one_line(text: str) -> str:
    """A text of which no reader can make two lines, with single spaces."""
    return " ".join(
        "".join(sign if sign.isprintable() else " " for sign in text).split()
    )


# --- read -----------------------------------------------------------------------------


def kept_of(octets: bytes, where: str) -> Kept:
    """The case of a file.

    Args:
        octets: What the file holds.
        where: Its path, for what is told.

    Raises:
        UsageError: If it holds none, is damaged, or of a newer version.
    """
    body = octets.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n")
    first, _, _ = body.partition(b"\n")
    stated = _FIRST.fullmatch(first)
    if stated is None or len(octets) > MOST_OCTETS:
        expected = f"a first line 'nightbench case {VERSION}'"
        raise UsageError(Fault("not the file of a case", "", expected, where))
    body, sound = _checked(body)
    version = int(stated[1])
    if sound and version > VERSION:
        expected, mend = f"at most {VERSION}", "update nightbench to read it"
        what = "case of a newer version"
        raise UsageError(Fault(what, str(version), expected, where, mend))
    if not sound:
        mend = "its check does not fit; fetch it again, or send the case anew"
        raise UsageError(Fault("damaged case", where=where, mend=mend))
    return _parsed(body, where)


def _checked(body: bytes) -> tuple[bytes, bool]:
    """What stands before the last line, and whether that line fits it."""
    end = body.rstrip(b"\n")
    start = end.rfind(b"\n") + 1
    return body[:start], end[start:] == b"check %08x" % crc32(body[:start])


def _parsed(body: bytes, where: str) -> Kept:
    """The case that a sound file holds."""
    given: dict[str, list[object]] = {}
    for number, line in enumerate(body.decode(errors="replace").split("\n")[1:-1], 2):
        word, _, rest = line.partition(" ")
        read = _READ.get(word)
        value = None if read is None else read(rest)
        if value is None:
            fault = Fault("damaged case", shown(line), where=f"{where}, line {number}")
            raise UsageError(fault)
        given.setdefault(word, []).append(value)
    made: dict[str, object] = {}
    for word in _ORDER:
        values = given.get(word, [])
        if word not in _MANY and len(values) != 1:
            what = "damaged case: a line stands twice" if values else "damaged case"
            raise UsageError(Fault(what, word, "one line of it", where))
        made[_ATTRIBUTE.get(word, word)] = tuple(values) if word in _MANY else values[0]
    return Kept(**made)  # type: ignore[arg-type]  # each was read by its own rule


def _text(text: str) -> str | None:
    return text if text == one_line(text) else None


def _number(text: str) -> int | None:
    if not _NUMBER.fullmatch(text):
        return None
    number = int(text)
    return number if -(2**63) <= number < 2**63 else None


def _unsigned(text: str) -> int | None:
    digits = text.isascii() and text.isdecimal() and len(text) <= len(str(2**64))
    if not digits or (text != "0" and text.startswith("0")):
        return None
    return int(text) if int(text) < 2**64 else None


def _name(text: str) -> str | None:
    return text if _NAME.fullmatch(text) else None


def _few(text: str) -> int | None:
    return int(text) if text in _FEW else None


def _around(text: str) -> str | None:
    return text if text in ("", "after", "fill", "after fill") else None


def _digest(text: str) -> str | None:
    return text if _DIGEST.fullmatch(text) else None


def _rate(text: str) -> Rate | None:
    found = _RATE.fullmatch(text)
    if not found or int(found[1]) > int(found[2]):
        return None
    return Rate(int(found[1]), int(found[2]))


def _row(text: str) -> Row | None:
    parts = text.split(" ")
    if len(parts) != 3 or not _NAME.fullmatch(parts[0]):
        return None
    place, value = _number(parts[1]), _number(parts[2])
    return None if place is None or value is None else (parts[0], place, value)


_READ: Mapping[str, Callable[[str], object | None]] = {
    "profile": _text,
    "set": _text,
    "digest": _digest,
    "seed": _unsigned,
    "number": _unsigned,
    "before": _few,
    "around": _around,
    "attack": _name,
    "oracle": _name,
    "row": _row,
    "rate": _rate,
    "text": _text,
    "send": _text,
    "octets": _text,
    "should": _text,
    "did": _text,
}
"""How the rest of a line is read; None where it is not such a thing."""

_ORDER = tuple(_READ)
_MANY = ("set", "row", "send", "octets")
_ATTRIBUTE = {"set": "sets", "row": "rows"}

assert {_ATTRIBUTE.get(word, word) for word in _ORDER} == {
    one.name for one in fields(Kept)
}
