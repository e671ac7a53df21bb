"""Sighting lines: how a child program or a served node tells what it did.

ASCII, one sighting a line, a word and then keys with values, all parted by spaces::

    shown node=3 octets=A55A01 clocks=24 first=120500 end=216500 shown=716500

* A line ends in LF; a CR before it is ignored.  It is at most `LONGEST` octets.
* A word is of small letters, digits and dashes, a letter first.
* `KEY=VALUE`: a key is of letters, digits, `_`, `.` and `-`, a letter or `_` first;
  keys stand in any order, each once.  A value is one or more printing characters.
* Whole numbers are decimal.  Octets are pairs of hexadecimal digits without spaces.
  Times are in ns from the start bit of the first character that the program received.
* What the program does not know it leaves out: that is "not observable", never zero.
* A reader ignores words and keys that it does not know, and says so once.

The words:

    shown    node=<address or name> [octets=<hex>] [clocks=<n>] [burst=<ns>]
             [first=<ns>] [end=<ns>] [shown=<ns>] [marginal=0|1]
             a burst: what the chains held, clocks counted, first rollover, first clock
             edge, clock idle, latched (left out: the bench takes the order of lines)
    dropped  node=… reason=<word>    a packet not shown; a `Drop` name, bad-check
    lost     node=… characters=<n>   characters that the receiver lost
    reset    node=… [cause=<word>]   it begins anew
    status   <name>=<number> …       counters, whatever they are called

This module writes a line and takes one apart.  What lines mean to a trial is no matter
of it.
"""

from __future__ import annotations

import re

from bench.base.columns import Drop

LONGEST = 1 << 20
"""Octets of a line at most: half a mebioctet shown; more is no sighting but a flood."""

_WORD = re.compile(r"[a-z][a-z0-9-]*")
_KEY = re.compile(r"[A-Za-z_][A-Za-z0-9_.-]*")
_VALUE = re.compile(r"[!-~]+")

_DROPS = {drop.name.lower().replace("_", "-"): drop for drop in Drop}


def format_line(word: str, /, **values: str | bytes | int | None) -> bytes:
    """One sighting line, its LF included.

    Args:
        word: What was sighted.
        values: By key; bytes are octets, True and False 1 and 0; None leaves it out.

    Raises:
        ValueError: If the word, a key or a value cannot stand in a line.
    """
    if not _WORD.fullmatch(word):
        raise ValueError(f"no word of a sighting line: {word!r}")
    parts = [word]
    for key, value in values.items():
        if value is None:
            continue
        text = _text(value)
        if not _KEY.fullmatch(key) or not _VALUE.fullmatch(text):
            raise ValueError(f"cannot stand in a sighting line: {key!r} = {value!r}")
        parts.append(f"{key}={text}")
    line = " ".join(parts).encode("ascii") + b"\n"
    if len(line) > LONGEST:
        raise ValueError(f"a sighting line of {len(line)} octets, at most {LONGEST}")
    return line


def parse_line(text: str) -> tuple[str, dict[str, str]] | None:
    """The word and the values of one line.

    Args:
        text: The line; its CR and LF may still be there.

    Returns:
        None if it is no sighting line: something that a program printed for people.
    """
    word, *pairs = text.rstrip("\r\n").split(" ")
    if not _WORD.fullmatch(word):
        return None
    values: dict[str, str] = {}
    for pair in pairs:
        if not pair:
            continue  # spaces may stand side by side, and at the end
        key, equals, value = pair.partition("=")
        sound = equals and _KEY.fullmatch(key) and _VALUE.fullmatch(value)
        if not sound or key in values:
            return None
        values[key] = value
    return word, values


def word_of(drop: Drop) -> str:
    """How a line calls the reason of a drop: "bad-check"."""
    return drop.name.lower().replace("_", "-")


def drop_of(word: str) -> Drop | None:
    """The reason that a line names; None for a word that names none."""
    return _DROPS.get(word)


def _text(value: str | bytes | int) -> str:
    """A value as a line holds it."""
    if isinstance(value, bytes):
        return value.hex().upper()
    return str(int(value)) if isinstance(value, int) else value
