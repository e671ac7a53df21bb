"""One record, one line: eight hexadecimal digits of a check, a space, JSON, a newline.

The check is CRC-32/ISO-HDLC over the octets of the JSON text, in lower case.  The text
is canonical (keys sorted, no spaces, ASCII alone, no NaN or infinity), so one record
has one spelling, no line holds an octet above 7Eh, and a newline is always the end of
a line.

A reader compares the octets of the check and never parses them as a number: a parser
of numbers takes a space or a capital for a digit, and a flipped bit goes unnoticed.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NoReturn
from zlib import crc32

if TYPE_CHECKING:
    from collections.abc import Mapping

Record = dict[str, Any]

_CHECK_OCTETS = 9  # eight digits and the space after them


def _plain(value: Any) -> Any:
    """A number of an array library as a plain one; anything else is refused."""
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"not a JSON value: {value!r}")


def _refuse(constant: str) -> NoReturn:
    raise ValueError(f"not a JSON value: {constant}")


_ENCODER = json.JSONEncoder(
    sort_keys=True,
    separators=(",", ":"),
    ensure_ascii=True,
    allow_nan=False,
    default=_plain,
)
_DECODER = json.JSONDecoder(parse_constant=_refuse)


def line_of(record: Mapping[str, Any]) -> bytes:
    """The line of one record, newline included.

    Raises:
        TypeError: If it holds what JSON cannot say.
        ValueError: If it holds a NaN or an infinity.
    """
    text = _ENCODER.encode(dict(record)).encode("ascii")
    return b"%08x %s\n" % (crc32(text), text)


def record_of(line: bytes) -> Record | None:
    """The record of one line without its newline, or None if the line is damaged."""
    text = line[_CHECK_OCTETS:]
    if line[:_CHECK_OCTETS] != b"%08x " % crc32(text):
        return None
    return parsed(text)


def parsed(text: bytes) -> Record | None:
    """The object that a strict JSON text in ASCII holds, or None if it holds none."""
    try:
        value = _DECODER.decode(text.decode("ascii"))
    except ValueError:
        return None
    return value if isinstance(value, dict) else None


def pretty(record: Mapping[str, Any]) -> bytes:
    """The same strict JSON over several lines, for files that a person opens."""
    text = json.dumps(
        dict(record), sort_keys=True, indent=2, allow_nan=False, default=_plain
    )
    return text.encode("ascii") + b"\n"
