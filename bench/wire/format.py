"""A packet format: three small records.

How a packet is delimited, how it is unstuffed, and where its fields lie from either end
(only the payload varies).  The sans-IO decoder, the packet builder and the node's
kernel all work from these and from nothing else, so a new format is a new profile, not
code.

Places are counted from the first octet of the unstuffed packet, the marker included:
0, 1, 2 … from its start, -1, -2 … back from its end.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

from bench.wire.checks import Check

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.profile.model import Order, Packet, PacketField

END = 0
"""As the end of a span: the end of the packet."""


class Delimiter(IntEnum):
    """What marks where a packet begins and ends."""

    MARKER = 1  # leading octets; the end follows from the length
    OCTET = 2  # an octet that cannot occur inside
    SILENCE = 3  # an idle gap ends it
    BREAK = 4  # a break begins it
    NINTH = 5  # a character with its ninth bit set begins it, and is its first octet


class Stuffing(IntEnum):
    """How octets that must not occur inside a packet are replaced."""

    NONE = 0
    COBS = 1  # zeros taken out by a chain of counts (Cheshire and Baker, 1999)
    ESCAPE = 2  # an escape octet and a code from a table (RFC 1055)
    FLIP = 3  # an escape octet and the octet xor 20h (RFC 1662)


@dataclass(frozen=True, slots=True)
class Delimiting:
    """Where packets begin and end.

    Attributes:
        kind: The rule.
        octets: MARKER: the marker; OCTET: the one delimiter octet; else empty.
        leading: OCTET: whether a delimiter is sent before the packet as well.
        silence_ns: Idle time that ends a packet, or after which a receiver that
            resynchronises by timeout listens again; None where there is none.
        pause_ns: Longer idle time inside a packet makes it bad; None for no limit.
        reject_flaws: Whether a character with a line error spoils its packet.
    """

    kind: Delimiter
    octets: bytes = b""
    leading: bool = False
    silence_ns: int | None = None
    pause_ns: int | None = None
    reject_flaws: bool = True


@dataclass(frozen=True, slots=True)
class Unstuffing:
    """How a packet's octets are replaced on the line.

    Attributes:
        kind: The rule.
        escape: ESCAPE, FLIP: the octet that announces a replaced one.
        pairs: ESCAPE: (code, octet) for every octet that may follow the escape.
        flipped: FLIP: the octets that a sender must replace.
    """

    kind: Stuffing = Stuffing.NONE
    escape: int = 0
    pairs: tuple[tuple[int, int], ...] = ()
    flipped: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Number:
    """An unsigned number somewhere in a packet.

    Attributes:
        at: Its first octet.
        size: Its octets.
        order: Which end comes first on the wire.
    """

    at: int
    size: int
    order: Order

    @property
    def most(self) -> int:
        """The largest value that fits."""
        return int(256**self.size - 1)


@dataclass(frozen=True, slots=True)
class CheckRule:
    """Where a packet's check lies, and what it covers.

    Attributes:
        check: The algorithm.
        field: Where its value lies.
        start: First octet that it covers.
        end: One past the last octet that it covers; `END` for the packet's end.
    """

    check: Check
    field: Number
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the fields of an unstuffed packet lie.

    Attributes:
        head: Octets before the payload, the marker included.
        tail: Octets after the payload.
        least: Fewest octets of payload.
        most: Most octets of payload.
        literals: (place, octets) that must be there, the marker left out.
        address: Whom the packet is for; None where nothing says so.
        mask: Bits of the address that are compared.
        broadcast: Addresses that every node answers to.
        sequence: The packet's number; None where there is none.
        length: What the packet says of its own length; None where it says nothing.
        length_adds: Value of the length field less the octets of payload.
        check: The check; None where there is none.
    """

    head: int
    tail: int
    least: int
    most: int
    literals: tuple[tuple[int, bytes], ...]
    address: Number | None
    mask: int
    broadcast: tuple[int, ...]
    sequence: Number | None
    length: Number | None
    length_adds: int
    check: CheckRule | None

    @property
    def shortest(self) -> int:
        """Octets of the shortest unstuffed packet."""
        return self.head + self.least + self.tail

    @property
    def longest(self) -> int:
        """Octets of the longest unstuffed packet."""
        return self.head + self.most + self.tail

    @property
    def sized(self) -> bool:
        """Whether a receiver knows the length from the head alone."""
        told = self.length is not None and self.length.at >= 0
        return told or self.least == self.most


@dataclass(frozen=True, slots=True)
class Format:
    """A packet format."""

    delimiting: Delimiting
    unstuffing: Unstuffing
    layout: Layout

    @property
    def marks_first(self) -> bool:
        """Whether the first character of a packet has its ninth bit set."""
        return self.delimiting.kind == Delimiter.NINTH

    @property
    def open_ended(self) -> bool:
        """Whether a packet goes on until the next one begins, or a silence comes."""
        begun = self.delimiting.kind in (Delimiter.BREAK, Delimiter.NINTH)
        return begun and not self.layout.sized

    @property
    def delimiters(self) -> int:
        """Octets that are sent with a packet to delimit it, its marker not counted."""
        if self.delimiting.kind != Delimiter.OCTET:
            return 0
        return 1 + self.delimiting.leading

    @property
    def longest_raw(self) -> int:
        """Most octets between two delimiters that a receiver takes for a packet.

        That is the longest packet as a frugal sender stuffs it: the empty COBS group
        that some put after a full last one would be an octet too many in a packet of
        the greatest length, if that is a multiple of 254 without a zero.
        """
        return self.longest_stuffed(self.layout.longest) - self.delimiters

    def longest_stuffed(self, octets: int) -> int:
        """Most octets on the line for an unstuffed packet of so many, delimiters in.

        COBS adds an octet for every 254 begun (and one at least), an escape at worst
        doubles every octet.
        """
        kind = self.unstuffing.kind
        if kind == Stuffing.COBS:
            octets += max(1, -(-octets // 254))
        elif kind in (Stuffing.ESCAPE, Stuffing.FLIP):
            octets *= 2
        return octets + self.delimiters


# --- from a profile -------------------------------------------------------------------

_SLIP = Unstuffing(Stuffing.ESCAPE, escape=0xDB, pairs=((0xDC, 0xC0), (0xDD, 0xDB)))
_HDLC = Unstuffing(Stuffing.FLIP, escape=0x7D, flipped=(0x7D, 0x7E))


def format_of(packet: Packet) -> Format:
    """The format that a profile's packet section describes.

    Raises:
        BenchError: If the check's name is unknown or ambiguous.
        ValueError: If the section breaks a rule that `bench.profile.rules` holds.
    """
    layout = _layout(packet)
    marker = b""
    if packet.framing == "marker":
        first = packet.fields[0]
        if first.kind != "literal":
            raise ValueError("framing marker needs a literal as its first field")
        marker = first.octets
    if packet.framing == "ninth-bit" and packet.fields[0].kind != "address":
        raise ValueError("framing ninth-bit needs an address as its first field")
    rules: dict[str, tuple[Delimiter, bytes, bool, Unstuffing]] = {
        "marker": (Delimiter.MARKER, marker, False, Unstuffing()),
        "cobs": (Delimiter.OCTET, b"\x00", False, Unstuffing(Stuffing.COBS)),
        "slip": (Delimiter.OCTET, b"\xc0", True, _SLIP),
        "hdlc": (Delimiter.OCTET, b"\x7e", True, _HDLC),
        "silence": (Delimiter.SILENCE, b"", False, Unstuffing()),
        "break": (Delimiter.BREAK, b"", False, Unstuffing()),
        "ninth-bit": (Delimiter.NINTH, b"", False, Unstuffing()),
    }
    kind, octets, leading, unstuffing = rules[packet.framing]
    delimiting = Delimiting(
        kind,
        octets,
        leading,
        packet.silence_ns,
        packet.pause_ns,
        packet.line_errors == "reject",
    )
    return Format(delimiting, unstuffing, layout)


def _size(field: PacketField) -> int:
    """Octets of a field that does not vary."""
    if field.kind == "literal":
        return len(field.octets)
    if field.kind == "check":
        return Check.named(field.algorithm).size
    return 0 if field.kind == "payload" else field.size


def _layout(packet: Packet) -> Layout:
    """Field places from either end of the payload."""
    sizes = [_size(field) for field in packet.fields]
    kinds = [field.kind for field in packet.fields]
    payload = kinds.index("payload")
    head, tail = sum(sizes[:payload]), sum(sizes[payload + 1 :])

    def place(index: int) -> int:
        if index <= payload:
            return sum(sizes[:index])
        return -sum(sizes[index:])

    numbers: dict[str, Number] = {}
    literals = []
    length_adds, mask = 0, 0
    broadcast: tuple[int, ...] = ()
    least = most = 0
    check = None
    for index, field in enumerate(packet.fields):
        at = place(index)
        if field.kind == "literal" and not (index == 0 and packet.framing == "marker"):
            literals.append((at, field.octets))
        elif field.kind == "payload":
            least, most = _range(field.octets, field.least, field.most)
        elif field.kind == "check":
            check = _check_rule(packet, index, at, place)
        elif field.kind in ("address", "sequence", "length"):
            numbers[field.kind] = Number(at, field.size, field.order)
        if field.kind == "address":
            mask = numbers["address"].most if field.mask is None else field.mask
            broadcast = field.broadcast
        if field.kind == "length":
            after = head - at - field.size if at >= 0 else 0
            rest = {"payload": 0, "after": after + tail, "packet": head + tail}
            length_adds = rest[field.counts] + field.add
    return Layout(
        head,
        tail,
        least,
        most,
        tuple(literals),
        numbers.get("address"),
        mask,
        broadcast,
        numbers.get("sequence"),
        numbers.get("length"),
        length_adds,
        check,
    )


def _range(octets: int | None, least: int | None, most: int | None) -> tuple[int, int]:
    """Fewest and most octets of a payload."""
    if octets is not None:
        return octets, octets
    return least or 0, 4096 if most is None else most


def _check_rule(
    packet: Packet, index: int, at: int, place: Callable[[int], int]
) -> CheckRule:
    """The check at one place of the fields, and the span that it covers."""
    field = packet.fields[index]
    if field.kind != "check":
        raise ValueError(f"a {field.kind} is no check")
    check = Check.named(field.algorithm)
    kinds: list[str] = [other.kind for other in packet.fields]
    first, last = 1 if packet.framing == "marker" else 0, index - 1
    if field.covers is not None:
        first, last = (kinds.index(kind) for kind in field.covers)
    end = place(last + 1) if last + 1 < len(kinds) else END
    return CheckRule(check, Number(at, check.size, field.order), place(first), end)
