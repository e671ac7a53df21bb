"""Packets of a format: built, put on the line, taken apart, examined.

This is the definition of what a format means for a single packet, in plain Python.  The
decoder examines with it what it finds on the line, and the fast builder of schedules is
held against it.

A packet is unstuffed here, marker included; only `encode` adds stuffing and delimiters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.base.columns import Drop
from bench.wire.format import END, Delimiter
from bench.wire.stuffing import stuff

if TYPE_CHECKING:
    from bench.wire.format import CheckRule, Format, Layout, Number


@dataclass(frozen=True, slots=True)
class Fields:
    """What a packet holds; None for a field that its format does not have.

    Attributes:
        payload: What it carries.
        address: Whom it is for.
        sequence: Its number.
        length: What its length field says, not what that means.
        check: What its check field says, right or wrong.
    """

    payload: bytes
    address: int | None
    sequence: int | None
    length: int | None
    check: int | None


# --- built and put on the line --------------------------------------------------------


def build(
    format: Format,  # noqa: A002 (the word for it)
    *,
    address: int | None,
    payload: bytes,
    sequence: int = 0,
    check_xor: int = 0,
) -> bytes:
    """One unstuffed packet, sound unless asked otherwise.

    Args:
        format: Its format.
        address: Whom it is for; None where the format has no address.
        payload: What it carries.  Its size may lie outside the format's limits.
        sequence: Its number, which starts again from zero where the field ends.
        check_xor: Xored into the octets of its check: anything but zero spoils it.

    Raises:
        ValueError: If the address or the length does not fit its field, or if there is
            an address for a format without one, or none for a format with one.
    """
    layout, marker = format.layout, b""
    if format.delimiting.kind == Delimiter.MARKER:
        marker = format.delimiting.octets
    if (address is None) != (layout.address is None):
        has = "no" if layout.address is None else "an"
        raise ValueError(f"address {address}, but the format has {has} address field")
    packet = bytearray(layout.head) + payload + bytearray(layout.tail)
    for at, octets in ((0, marker), *layout.literals):
        start = _place(at, packet)
        packet[start : start + len(octets)] = octets
    if layout.sequence is not None:
        _write(layout.sequence, sequence % (layout.sequence.most + 1), packet)
    if layout.address is not None and address is not None:
        _write(layout.address, address, packet)
    if layout.length is not None:
        _write(layout.length, len(payload) + layout.length_adds, packet)
    if layout.check is not None:
        value = _computed(layout.check, bytes(packet)) ^ check_xor
        _write(layout.check.field, value & layout.check.field.most, packet)
    return bytes(packet)


def encode(format: Format, packet: bytes) -> bytes:  # noqa: A002
    """A packet's octets on the line: stuffed and delimited.

    The break that begins a packet, or the silence that ends it, is not an octet.
    """
    delimiting = format.delimiting
    octets = stuff(format.unstuffing, packet)
    if delimiting.kind != Delimiter.OCTET:
        return octets
    before = delimiting.octets if delimiting.leading else b""
    return before + octets + delimiting.octets


# --- taken apart ----------------------------------------------------------------------


def read(format: Format, packet: bytes) -> Fields:  # noqa: A002
    """The fields of an unstuffed packet, whether or not they are right.

    Raises:
        ValueError: If it has not enough octets for the fields beside the payload.
    """
    layout = format.layout
    rest = layout.head + layout.tail
    if len(packet) < rest:
        raise ValueError(f"{len(packet)} octets, but the fields need {rest}")
    check = layout.check.field if layout.check is not None else None
    return Fields(
        packet[layout.head : len(packet) - layout.tail],
        number_at(layout.address, packet),
        number_at(layout.sequence, packet),
        number_at(layout.length, packet),
        number_at(check, packet),
    )


def number_at(number: Number | None, packet: bytes) -> int | None:
    """The value of a field of a whole packet; None where there is no such field."""
    if number is None:
        return None
    at = _place(number.at, packet)
    return int.from_bytes(packet[at : at + number.size], number.order)


def address_in(layout: Layout, seen: bytes) -> int | None:
    """The address, if the octets seen of a packet from its first on hold all of it.

    One that is counted from the packet's end is not known of what is too short to be a
    packet.
    """
    address = layout.address
    if address is None:
        return None
    need = address.at + address.size if address.at >= 0 else layout.shortest
    return number_at(address, seen) if len(seen) >= need else None


def _place(at: int, packet: bytes | bytearray) -> int:
    """A place of a layout as an index into a whole packet."""
    return at if at >= 0 else len(packet) + at


def _write(number: Number, value: int, packet: bytearray) -> None:
    if not 0 <= value <= number.most:
        raise ValueError(f"{value} does not fit {number.size} octets")
    at = _place(number.at, packet)
    packet[at : at + number.size] = value.to_bytes(number.size, number.order)


def _computed(rule: CheckRule, packet: bytes) -> int:
    """What a packet's check should be."""
    end = len(packet) if rule.end == END else _place(rule.end, packet)
    return rule.check.compute(packet[_place(rule.start, packet) : end])


# --- examined -------------------------------------------------------------------------


def fault_of(layout: Layout, packet: bytes) -> Drop | None:
    """What is wrong with a whole packet, None where nothing is.

    Looked for in this order: too short for the format, a literal that is not there, a
    length that is not the payload's or a payload outside the limits, a check that
    fails.
    """
    if len(packet) < layout.shortest:
        return Drop.TOO_SHORT
    if not literals_hold(layout.literals, packet):
        return Drop.BAD_LITERAL
    payload = len(packet) - layout.head - layout.tail
    said = number_at(layout.length, packet)
    if said is not None and said != payload + layout.length_adds:
        return Drop.BAD_LENGTH
    if not layout.least <= payload <= layout.most:
        return Drop.BAD_LENGTH
    if layout.check is not None and not _check_holds(layout.check, packet):
        return Drop.BAD_CHECK
    return None


def head_fault_of(layout: Layout, head: bytes) -> Drop | None:
    """What is wrong with the octets before the payload of a sized packet."""
    literals = tuple((at, octets) for at, octets in layout.literals if at >= 0)
    if not literals_hold(literals, head):
        return Drop.BAD_LITERAL
    if not layout.least <= payload_after(layout, head) <= layout.most:
        return Drop.BAD_LENGTH
    return None


def payload_after(layout: Layout, head: bytes) -> int:
    """The octets of payload that the head of a sized packet announces."""
    said = None
    if layout.length is not None and layout.length.at >= 0:
        said = number_at(layout.length, head)
    return layout.least if said is None else said - layout.length_adds


def literals_hold(literals: tuple[tuple[int, bytes], ...], packet: bytes) -> bool:
    """Whether the octets that must be there are there."""
    return all(packet.startswith(octets, _place(at, packet)) for at, octets in literals)


def _check_holds(rule: CheckRule, packet: bytes) -> bool:
    """Whether a packet's check is right; one without octets always is."""
    return number_at(rule.field, packet) == _computed(rule, packet)
