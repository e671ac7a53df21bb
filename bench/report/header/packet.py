"""The line and the packet in C: characters, framing, stuffing, fields, addresses."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.report.fields import check_of, is_shared, line_times, places_of
from bench.report.header.lines import (
    Part,
    hexadecimal,
    number,
    octet_list,
)
from bench.report.header.names import comment
from bench.wire.format import END, Delimiter, Stuffing, format_of
from bench.wire.stuffing import FLIPPED_BIT

if TYPE_CHECKING:
    from bench.profile import Profile
    from bench.report.fields import Place
    from bench.wire.format import CheckRule, Format

_PARITY = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}
"""The letters of the trade, as in 8N1."""

_COBS_GROUP = 254
"""Most octets of a COBS group beside its count."""


def line_part(prefix: str, profile: Profile) -> list[str]:
    """How characters look, and the times of the line."""
    bus, part = profile.bus, Part(prefix, "the line")
    halves = round(2 * bus.stop_bits)
    bits = 2 * (1 + bus.data_bits + (bus.parity != "none")) + halves
    part.define("BAUD", number(bus.baud))
    part.define("DATA_BITS", number(bus.data_bits), "the lowest one first")
    part.define("PARITY", f"'{_PARITY[bus.parity]}'", f"{bus.parity}")
    part.define("STOP_HALF_BITS", number(halves), "stop bits, in halves of one")
    part.define("CHARACTER_HALF_BITS", number(bits), "start to stop, likewise")
    part.time("CHARACTER", bus.character.step, "one character")
    part.either("HALF_DUPLEX", bus.direction == "half", "1: nodes may answer")
    if bus.direction == "half":
        part.time("TURNAROUND", bus.turnaround_ns, "a node waits before it answers")
        part.time("RELEASE", bus.release_ns, "the host still drives after its last bit")
    for name, what, ns in line_times(profile):
        part.time(_capitals(name), ns, what)
    part.time("FRAME", frame_ns(profile), "one refresh of the whole installation")
    if profile.packet.pad is not None:
        pad = hexadecimal(profile.packet.pad[0])
        part.define("PAD", pad, "may fill the space between packets")
    return part.lines()


def frame_ns(profile: Profile) -> Fraction:
    """From one frame to the next."""
    return Fraction(NS_PER_S, profile.traffic.frame_rate_hz)


def framing_part(prefix: str, profile: Profile) -> list[str]:
    """How a packet is delimited and stuffed, and how long it is."""
    packet = profile.packet
    format = format_of(packet)  # noqa: A001 (the word for it)
    layout, part = format.layout, Part(prefix, "the packet")
    part.mark(f"FRAMING_{_capitals(packet.framing)}", _DELIMITED[packet.framing])
    if format.delimiting.kind == Delimiter.MARKER:
        marker = format.delimiting.octets
        part.define("MARKER_OCTETS", number(len(marker)))
        part.define("MARKER_LIST", octet_list(marker), "first octets of every packet")
    if format.delimiting.kind == Delimiter.OCTET:
        delimiter = hexadecimal(format.delimiting.octets[0])
        part.define("DELIMITER", delimiter, "after every packet")
        leading = format.delimiting.leading
        part.either("DELIMITER_LEADING", leading, "1: before it as well")
    _stuffing(part, format)
    part.define("HEAD_OCTETS", number(layout.head), "before the payload")
    part.define("TAIL_OCTETS", number(layout.tail), "after the payload")
    part.define("PAYLOAD_LEAST_OCTETS", number(layout.least))
    part.define("PAYLOAD_MOST_OCTETS", number(layout.most))
    part.define("PACKET_SHORTEST_OCTETS", number(layout.shortest), "unstuffed")
    part.define("PACKET_LONGEST_OCTETS", number(layout.longest), "unstuffed")
    most = number(format.longest_stuffed(layout.longest))
    part.define("LINE_LONGEST_OCTETS", most, "the same on the line, delimiters in")
    rejects = format.delimiting.reject_flaws
    part.either("LINE_ERRORS_REJECT", rejects, "1: a line error spoils its packet")
    return part.lines()


_DELIMITED = {
    "marker": "leading octets begin it, its length ends it",
    "cobs": "an octet 00h ends it, and cannot occur inside",
    "slip": "RFC 1055: an octet C0h ends it, and cannot occur inside",
    "hdlc": "RFC 1662: an octet 7Eh ends it, and cannot occur inside",
    "silence": "idle time ends it",
    "break": "a break begins it",
    "ninth-bit": "its first character alone has the ninth bit set",
}


def _stuffing(part: Part, format: Format) -> None:  # noqa: A002
    """What may not occur inside a packet, and what stands for it."""
    unstuffing = format.unstuffing
    if unstuffing.kind == Stuffing.NONE:
        return
    if unstuffing.kind == Stuffing.COBS:
        part.define("GROUP_MOST_OCTETS", number(_COBS_GROUP), "beside its count")
        return
    part.define("ESCAPE", hexadecimal(unstuffing.escape), "announces a replaced octet")
    if unstuffing.kind == Stuffing.FLIP:
        flipped = octet_list(unstuffing.flipped)
        part.define("ESCAPED_OCTETS", number(len(unstuffing.flipped)))
        part.define("ESCAPED_LIST", flipped, "octets that are replaced")
        bit = hexadecimal(FLIPPED_BIT)
        part.define("ESCAPED_XOR", bit, "the escape, then the octet xored with this")
        return
    part.define("ESCAPED_OCTETS", number(len(unstuffing.pairs)))
    octets = octet_list(octet for _, octet in unstuffing.pairs)
    codes = octet_list(code for code, _ in unstuffing.pairs)
    part.define("ESCAPED_LIST", octets, "octets that are replaced")
    part.define("ESCAPED_CODES", codes, "what follows the escape instead")


# --- fields ---------------------------------------------------------------------------


def fields_part(prefix: str, profile: Profile) -> list[str]:
    """Where every field lies, and what it says."""
    part = Part(prefix, "the fields, in the order of the line")
    part.say("_AT: octets before a field; _FROM_END: from its first octet to the end")
    for place in places_of(profile.packet):
        _field(part, place)
    _addresses(part, profile)
    layout = format_of(profile.packet).layout
    if layout.length is not None:
        adds = number(layout.length_adds)
        part.define("LENGTH_ADDS", adds, "its value less the octets of payload")
    shared = is_shared(profile.packet)
    part.either("PAYLOAD_SHARED", shared, "1: one packet for all nodes")
    return part.lines()


def _addresses(part: Part, profile: Profile) -> None:
    """What an address is compared with, beside the node's own."""
    layout, traffic = format_of(profile.packet).layout, profile.traffic
    if layout.address is None:
        return
    size = layout.address.size
    mask = hexadecimal(layout.mask, size)
    part.define("ADDRESS_MASK", mask, "bits that are compared")
    addresses = [hexadecimal(address, size) for address in layout.broadcast]
    part.define("BROADCASTS", number(len(addresses)), "addresses of all nodes")
    for index, address in enumerate(addresses):
        part.define(f"BROADCAST_{index}", address)
    if addresses and any(node.processor.show == "sync" for node in profile.node):
        what = "the broadcast that the host sends: show what is held"
        part.define("SYNC_ADDRESS", addresses[0], what)
    if traffic.broadcast_every:
        frames = number(traffic.broadcast_every)
        part.define("BROADCAST_EVERY_FRAMES", frames)


def _field(part: Part, place: Place) -> None:
    """One field."""
    field, name = place.field, _capitals(place.label)
    if place.at is not None:
        part.define(f"{name}_AT", number(place.at))
    if place.from_end is not None:
        part.define(f"{name}_FROM_END", number(place.from_end))
    if place.octets is not None and place.label != "marker":
        part.define(f"{name}_OCTETS", number(place.octets))
    if field.kind == "literal" and place.label != "marker":
        part.define(f"{name}_LIST", octet_list(field.octets))
    elif field.kind != "literal" and field.kind != "payload":
        big, what = field.order == "big", "1: high octet first, 0: low one"
        part.either(f"{name}_BIG_ENDIAN", big, what)


def _capitals(label: str) -> str:
    """A label as part of a name."""
    return label.upper().replace(" ", "_").replace("-", "_")


# --- what the check covers ------------------------------------------------------------


def span_function(prefix: str, profile: Profile) -> list[str]:
    """The function that computes the check of a whole packet."""
    layout = format_of(profile.packet).layout
    check, rule = check_of(layout), layout.check
    if check is None or rule is None:
        return []
    name, bits = prefix.lower(), next(b for b in (8, 16, 32, 64) if b >= check.width)
    first, end = _span(rule)
    return [
        "",
        comment(f"the check of an unstuffed packet of {prefix}_PACKET_SHORTEST_OCTETS"),
        comment("or more, the octets of its check field not looked at"),
        f"static inline uint{bits}_t {name}_packet_check(",
        "    const uint8_t *packet, size_t octets)",
        "{",
        f"    const size_t first = {first};",
        f"    const size_t end = {end};",
        *["    (void)octets;"][: "octets" not in first + end],
        f"    return {name}_check(packet + first, end - first);",
        "}",
    ]


def _span(rule: CheckRule) -> tuple[str, str]:
    """First octet that a check covers, and one past the last, in C."""
    first = number(rule.start) if rule.start >= 0 else f"octets - {number(-rule.start)}"
    if rule.end == END:
        return first, "octets"
    end = number(rule.end) if rule.end > 0 else f"octets - {number(-rule.end)}"
    return first, end
