"""Rules about the packet: what its fields must be to each other and to the line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.units import DURATION, format_ns
from bench.profile.model import LiteralField, PayloadField
from bench.profile.rules.rule import Broken, broken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile.model import Packet, Profile
    from bench.profile.schema import Path

PACKET: Path = ("packet",)
FIELDS: Path = ("packet", "fields")

MOST_PAYLOAD = 4096
"""Most octets of a payload whose most is not stated."""

DELIMITERS = {"cobs": 0x00, "slip": 0xC0, "hdlc": 0x7E}
"""The octet between packets of each stuffed framing."""

BEGUN = ("break", "ninth-bit")
"""Framings that only say where a packet begins: unless its length is known it goes on
up to the next one, whatever comes between."""

_ONCE = ("payload", "address", "sequence", "length", "check")
"""Kinds of which a packet has no more than one."""


def index_of(packet: Packet, kind: str) -> int | None:
    """Place of the first field of a kind among the fields."""
    kinds = [field.kind for field in packet.fields]
    return kinds.index(kind) if kind in kinds else None


def payload_range(field: PayloadField) -> tuple[int, int]:
    """Fewest and most octets of a payload."""
    if field.octets is not None:
        return field.octets, field.octets
    return field.least or 0, MOST_PAYLOAD if field.most is None else field.most


def payload_field(packet: Packet) -> tuple[Path, PayloadField] | None:
    """The payload and its path; None where the packet does not have exactly one."""
    found = [
        ((*FIELDS, index), field)
        for index, field in enumerate(packet.fields)
        if isinstance(field, PayloadField)
    ]
    return found[0] if len(found) == 1 else None


def sized(packet: Packet) -> bool:
    """Whether a receiver knows a packet's length from its head."""
    payload = payload_field(packet)
    fixed = payload and len(set(payload_range(payload[1]))) == 1
    return bool(fixed) or index_of(packet, "length") is not None


# --- fields ---------------------------------------------------------------------------


def one_of_each(profile: Profile) -> Iterator[Broken]:
    """Exactly one payload; at most one of whatever else there can be one of."""
    kinds = [field.kind for field in profile.packet.fields]
    if "payload" not in kinds:
        yield broken(FIELDS, "no payload", "", "one field of kind payload")
    for index, kind in enumerate(kinds):
        first = kinds.index(kind)
        if kind in _ONCE and first < index:
            expected = ("one; the first is ", (*FIELDS, first))
            yield broken((*FIELDS, index), "second field of its kind", kind, *expected)


def marker_leads(profile: Profile) -> Iterator[Broken]:
    """Framing marker: the first field is the marker."""
    packet = profile.packet
    kind = packet.fields[0].kind
    if packet.framing == "marker" and kind != "literal":
        expected = ("a literal first, for marker at ", (*PACKET, "framing"))
        yield broken((*FIELDS, 0), "no marker", kind, *expected)


def ninth_bit_leads(profile: Profile) -> Iterator[Broken]:
    """Framing ninth-bit: the address character comes first, and there is no parity."""
    packet, framing = profile.packet, (*PACKET, "framing")
    if packet.framing != "ninth-bit":
        return
    kind = packet.fields[0].kind
    if kind != "address":
        expected = ("an address first, for ninth-bit at ", framing)
        yield broken((*FIELDS, 0), "no leading address", kind, *expected)
    if profile.bus.parity != "none":
        expected = ("none, for ninth-bit at ", framing)
        what = "parity in the place of the ninth bit"
        yield broken(("bus", "parity"), what, profile.bus.parity, *expected)


def ninth_bit_there(profile: Profile) -> Iterator[Broken]:
    """Characters have a ninth data bit where it marks addresses, and only there."""
    bits, path = profile.bus.data_bits, ("bus", "data_bits")
    framing = (*PACKET, "framing")
    if profile.packet.framing == "ninth-bit" and bits != 9:
        expected = ("9, for ninth-bit at ", framing)
        yield broken(path, "no ninth bit", bits, *expected)
    elif profile.packet.framing != "ninth-bit" and bits == 9:
        expected = ("5 to 8, or ninth-bit at ", framing)
        yield broken(path, "ninth bit without use", bits, *expected)


def length_first(profile: Profile) -> Iterator[Broken]:
    """The length comes before the payload."""
    length = index_of(profile.packet, "length")
    payload = index_of(profile.packet, "payload")
    if length is not None and payload is not None and length > payload:
        expected = ("before the payload, ", (*FIELDS, payload))
        yield broken((*FIELDS, length), "length after the payload", "", *expected)


def length_known(profile: Profile) -> Iterator[Broken]:
    """Framing marker: the end follows from the length."""
    packet = profile.packet
    payload = payload_field(packet)
    if packet.framing == "marker" and payload and not sized(packet):
        expected = ("a length field, or payload octets, for marker at ",)
        what = "end of a packet not known"
        yield broken(payload[0], what, "", *expected, (*PACKET, "framing"))


def payload_stated(profile: Profile) -> Iterator[Broken]:
    """A payload has a fixed size or a range, and the range is one."""
    for index, field in enumerate(profile.packet.fields):
        if not isinstance(field, PayloadField):
            continue
        path = (*FIELDS, index)
        for key, value in (("least", field.least), ("most", field.most)):
            if field.octets is not None and value is not None:
                expected = ("either this or ", (*path, "octets"))
                yield broken((*path, key), "size stated twice", value, *expected)
        least, most = payload_range(field)
        if field.octets is None and least > most:
            limit = (f"at most {most}, as ", (*path, "most"))
            yield broken((*path, "least"), "empty range", least, *limit)


# --- framing --------------------------------------------------------------------------


def times_stated(profile: Profile) -> Iterator[Broken]:
    """What a framing is made of in time is stated."""
    packet = profile.packet
    needed = {
        "silence": (("silence", packet.silence_ns),),
        "break": (
            ("break", packet.break_ns),
            ("mark_after_break", packet.mark_after_break_ns),
        ),
    }
    for key, value in needed.get(packet.framing, ()):
        if value is None:
            expected = (f"a duration, for {packet.framing} at ", (*PACKET, "framing"))
            yield broken((*PACKET, key), "required key missing", "", *expected)


def pause_below_silence(profile: Profile) -> Iterator[Broken]:
    """A silence is a pause too."""
    packet = profile.packet
    pause, silence = packet.pause_ns, packet.silence_ns
    if pause is not None and silence is not None and pause > silence:
        limit = (f"at most {DURATION.text(silence)}, as ", (*PACKET, "silence"))
        yield broken(
            (*PACKET, "pause"), "longer than a silence", DURATION.text(pause), *limit
        )


def longer_than_a_character(profile: Profile) -> Iterator[Broken]:
    """Idle times and breaks that are shorter than a character mean nothing."""
    packet, character = profile.packet, profile.bus.character.step
    for key, value in (
        ("silence", packet.silence_ns),
        ("pause", packet.pause_ns),
        ("break", packet.break_ns),
    ):
        if value is not None and value < character:
            limit = f"at least {format_ns(float(character))}, a character at "
            what, text = "shorter than a character", DURATION.text(value)
            yield broken((*PACKET, key), what, text, limit, ("bus", "baud"))


def pad_is_idle(profile: Profile) -> Iterator[Broken]:
    """What fills the space between packets begins no packet and belongs to none."""
    packet, path = profile.packet, (*PACKET, "pad")
    pad, framing = packet.pad, packet.framing
    if pad is None:
        return
    text, at = pad.hex(" ").upper(), (*PACKET, "framing")
    first = packet.fields[0]
    if len(pad) != 1:
        yield broken(path, "not one octet", text, "a single octet")
    elif framing == "marker" and isinstance(first, LiteralField):
        if pad == first.octets[:1]:
            expected = ("another octet than begins ", (*FIELDS, 0, "octets"))
            yield broken(path, "pad begins a packet", text, *expected)
    elif framing in DELIMITERS and pad[0] != DELIMITERS[framing]:
        expected = (f"{DELIMITERS[framing]:02X}, the delimiter of {framing} at ", at)
        yield broken(path, "pad begins a packet", text, *expected)
    elif framing == "silence" or (framing in BEGUN and not sized(packet)):
        expected = (f"none, for {framing} at ", at)
        yield broken(path, "pad would be part of the packet", text, *expected)


def octets_fit_characters(profile: Profile) -> Iterator[Broken]:
    """Octets of the format have no more bits than a character carries."""
    packet, bits = profile.packet, profile.bus.data_bits
    if bits >= 8:
        return
    limit = (f"bits of one character, {bits} as ", ("bus", "data_bits"))
    octets = [
        ((*FIELDS, index, "octets"), field.octets)
        for index, field in enumerate(packet.fields)
        if isinstance(field, LiteralField)
    ]
    if packet.pad is not None:
        octets.append(((*PACKET, "pad"), packet.pad))
    for path, value in octets:
        if max(value) >= 2**bits:
            yield broken(path, "octet too wide", value.hex(" ").upper(), *limit)
    if packet.framing in DELIMITERS:
        what = "stuffing makes octets of eight bits"
        yield broken((*PACKET, "framing"), what, packet.framing, *limit)


RULES = (
    one_of_each,
    marker_leads,
    ninth_bit_leads,
    ninth_bit_there,
    length_first,
    length_known,
    payload_stated,
    times_stated,
    pause_below_silence,
    longer_than_a_character,
    pad_is_idle,
    octets_fit_characters,
)
