"""Worked examples: one packet of the format, and a few octets as stuffing leaves them.

A packet is as short as its format allows, from four octets of payload on, and its first
payload octets are such that stuffing has something to do.  Runs of equal octets are
written as one with their number, so that a packet of a fixed size of a thousand octets
can be written out as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from bench.wire.format import Delimiter, Stuffing, format_of
from bench.wire.packets import build, encode, number_at
from bench.wire.stuffing import stuff

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile import Profile
    from bench.wire.format import Format

SEQUENCE = 1
"""The number that the packet of the example bears."""

_SHORT = 4
"""Octets of payload, where the format leaves a choice."""

_RUN = 8
"""So many equal octets, or more, are written as one with their number."""

_TELLING = {
    Stuffing.NONE: bytes([0x11, 0x22, 0x33, 0x44]),
    Stuffing.COBS: bytes([0x11, 0x00, 0x22, 0x33]),
    Stuffing.ESCAPE: bytes([0x11, 0xC0, 0x22, 0xDB]),
    Stuffing.FLIP: bytes([0x11, 0x7E, 0x22, 0x7D]),
}
"""First octets of payload; those that are replaced are among them."""


@dataclass(frozen=True, slots=True)
class Example:
    """A packet that was worked out.

    Attributes:
        address: Whom it is for; None where the format does not say.
        payload: What it carries.
        packet: It, unstuffed.
        line: Its octets on the line, delimiters in.
        check: The value of its check; None where it has none.
    """

    address: int | None
    payload: bytes
    packet: bytes
    line: bytes
    check: int | None


def example_of(profile: Profile) -> Example:
    """A packet for the first node of a profile."""
    format = format_of(profile.packet)  # noqa: A001 (the word for it)
    layout = format.layout
    octets = min(max(_SHORT, layout.least), layout.most)
    most = 2 ** min(8, profile.bus.data_bits) - 1
    telling = bytes(octet & most for octet in _TELLING[format.unstuffing.kind])
    payload = telling[:octets].ljust(octets, b"\0")
    address = None if layout.address is None else profile.node[0].address
    packet = build(format, address=address, payload=payload, sequence=SEQUENCE)
    rule = layout.check
    sized = rule is not None and rule.check.size > 0
    check = number_at(rule.field, packet) if rule is not None and sized else None
    return Example(address, payload, packet, encode(format, packet), check)


def stuffed_example(format: Format) -> tuple[bytes, bytes]:  # noqa: A002
    """A few octets, and what goes on the line for them, delimiters in."""
    octets = _TELLING[format.unstuffing.kind] + b"\x44"
    stuffed = stuff(format.unstuffing, octets)
    if format.delimiting.kind == Delimiter.OCTET:
        leading = format.delimiting.octets if format.delimiting.leading else b""
        stuffed = leading + stuffed + format.delimiting.octets
    return octets, stuffed


def written(octets: bytes) -> str:
    """Octets in hexadecimal, long runs of one as that and their number."""
    return " ".join(_words(octets))


def written_lines(octets: bytes, width: int) -> list[str]:
    """The same in lines that are broken between octets."""
    lines: list[str] = []
    for word in _words(octets):
        if lines and len(lines[-1]) + 1 + len(word) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _words(octets: bytes) -> Iterator[str]:
    for octet, run in groupby(octets):
        count = len(list(run))
        if count >= _RUN:
            yield f"{octet:02X} ({count} times)"
        else:
            yield from [f"{octet:02X}"] * count
