"""The line and the packet on paper: characters, fields, a worked example, the nodes."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.errors import UsageError
from bench.base.grid import NS_PER_S
from bench.base.units import DURATION, format_ns, format_rate
from bench.report.fields import alike, is_shared, line_times, places_of
from bench.report.handbook.document import (
    Facts,
    Listing,
    Section,
    Strip,
    Table,
    Words,
    clean,
    listed,
    plural,
)
from bench.report.handbook.example import SEQUENCE, example_of, written, written_lines
from bench.report.header.lines import exact
from bench.wire.format import format_of

if TYPE_CHECKING:
    from bench.profile import Profile
    from bench.profile.model import Bus, Packet
    from bench.report.fields import Place
    from bench.report.handbook.document import Block
    from bench.wire.format import Format, Layout

LISTING = 72
"""Width of a listing of octets."""

_MOST_LOADS = 32
"""Unit loads that a driver carries (TIA-485-A)."""


def exactly(ns: Fraction | int) -> str:
    """A time, with its exact value where that is another."""
    text = format_ns(float(ns))
    try:
        whole = DURATION.parse(text) == ns
    except UsageError:  # rounded to minutes and seconds
        whole = False
    return text if whole else f"{text} (exactly {exact(Fraction(ns))} ns)"


# --- the line -------------------------------------------------------------------------


def line_section(profile: Profile) -> Section:
    """How the bus is set, and the cable."""
    bus = profile.bus
    facts = [
        ("bus", "one differential pair with many receivers on it (RS-485)"),
        ("baud", f"{format_rate(bus.baud, 'baud', 9)}, {bus.baud} bits a second"),
        ("character", _character(bus)),
        ("direction", _direction(bus)),
        ("cable", "length not stated" if bus.cable_m is None else f"{bus.cable_m:g} m"),
        ("load", _loads(profile)),
        ("termination", _resistor(bus.termination_ohm, "at each end of the cable")),
        ("idle bias", _resistor(bus.bias_ohm, "each of two resistors")),
        *_electrical(bus),
        ("line errors", _line_errors(profile.packet)),
    ]
    if profile.packet.pad is not None:
        pad = f"{profile.packet.pad[0]:02X}h may fill the space between packets"
        facts.append(("filling", pad))
    facts += [
        (name, f"{exactly(ns)}: {what}") for name, what, ns in line_times(profile)
    ]
    return Section("The line", [Facts(facts)])


def _electrical(bus: Bus) -> list[tuple[str, str]]:
    """What is stated of the cable beside, and of the clock that makes the baud."""
    facts = []
    if bus.bias_supply_v is not None:
        facts.append(("bias supply", f"{bus.bias_supply_v:g} V"))
    if bus.stub_m is not None:
        facts.append(("longest branch", f"{bus.stub_m:g} m"))
    if bus.rise_time_ns is not None:
        facts.append(("rise time", f"{exactly(bus.rise_time_ns)}, 10 % to 90 %"))
    if bus.velocity is not None:
        facts.append(("signals travel", f"at {bus.velocity:g} of the speed of light"))
    if bus.bit_error_ratio is not None:
        facts.append(("bit errors", f"{bus.bit_error_ratio:g} of the bits"))
    if (adapter := bus.adapter) is not None:
        parts = "" if adapter.steps == 1 else f", in parts of 1/{adapter.steps}"
        clock = format_rate(adapter.clock_hz, "Hz", 9)
        facts.append(
            ("host's baud", f"{clock} / ({adapter.oversampling} x divisor{parts})")
        )
    return facts


def _character(bus: Bus) -> str:
    """What a character is made of, and how long it takes."""
    parity = "no parity bit" if bus.parity == "none" else f"a parity bit ({bus.parity})"
    ninth = ", the last of which marks an address" if bus.data_bits == 9 else ""
    stop = (
        plural(1, "stop bit") if bus.stop_bits == 1 else f"{bus.stop_bits:g} stop bits"
    )
    parts = f"a start bit (0), {bus.data_bits} data bits, the lowest first{ninth}, "
    bits = float(bus.character.step * bus.baud / NS_PER_S)
    whole = f"{bits:g} bits, {exactly(bus.character.step)}"
    return f"{parts}{parity}, {stop} (1): {whole}"


def _direction(bus: Bus) -> str:
    if bus.direction == "simplex":
        return "one way: the sender drives all the time, nodes never answer"
    return (
        f"both ways: a node answers after {exactly(bus.turnaround_ns)}, the sender "
        f"drives {exactly(bus.release_ns)} beyond its last stop bit"
    )


def _loads(profile: Profile) -> str:
    each, nodes = profile.bus.unit_loads, len(profile.node)
    return (
        f"{each:g} unit loads a node, {each * nodes:g} for {plural(nodes, 'node')}; "
        f"a driver carries {_MOST_LOADS}"
    )


def _resistor(ohm: float | None, where: str) -> str:
    return "not stated" if ohm is None else f"{ohm:g} Ohm, {where}"


def _line_errors(packet: Packet) -> str:
    if packet.line_errors == "accept":
        return "a character with a framing or parity error is taken as it came"
    return "a character with a framing or parity error spoils its packet"


# --- the packet -----------------------------------------------------------------------


def packet_section(profile: Profile) -> Section:
    """Framing and fields."""
    packet = profile.packet
    format, places = format_of(packet), places_of(packet)  # noqa: A001
    blocks: list[Block] = [
        Words(_FRAMINGS[packet.framing].format(**_framing_words(format))),
        Strip(
            "A packet, from its first octet to its last",
            [(place.label, _size(place, format.layout)) for place in places],
        ),
        Table(
            "Its fields, before any stuffing; places are octets before the field, and "
            "octets from its first one to the packet's end",
            ("field", "from start", "to end", "octets", "what it holds", "in check"),
            [_row(place, format.layout) for place in places],
        ),
        Facts(_rules(profile, format)),
    ]
    return Section("The packet", blocks)


_FRAMINGS = {
    "marker": "A packet begins with its marker, the octets {octets}, and is as long as "
    "its head says. Inside a packet the same octets mean nothing.",
    "cobs": "A packet ends with an octet 00h, which cannot occur inside: zeros are "
    "taken out by stuffing (COBS).",
    "slip": "A packet stands between octets C0h, which cannot occur inside: they are "
    "replaced by stuffing (RFC 1055).",
    "hdlc": "A packet stands between octets 7Eh, which cannot occur inside: they are "
    "replaced by stuffing (RFC 1662).",
    "silence": "A packet ends where the line idles for a silence.",
    "break": "A packet begins after a break, which is the line held low; the break is "
    "not part of it.",
    "ninth-bit": "A packet begins with a character whose ninth bit is 1, its "
    "address; in all others the ninth bit is 0.",
}


def _framing_words(format: Format) -> dict[str, str]:  # noqa: A002
    return {"octets": f"{format.delimiting.octets.hex(' ').upper()} (hexadecimal)"}


def _size(place: Place, layout: Layout) -> str:
    if place.octets is not None:
        return plural(place.octets, "octet")
    return f"{layout.least} to {layout.most} octets"


def _row(place: Place, layout: Layout) -> tuple[str, ...]:
    octets = f"{place.octets}"
    if place.octets is None:
        octets = f"{layout.least} to {layout.most}"
    return (
        place.label,
        "-" if place.at is None else f"{place.at}",
        "-" if place.from_end is None else f"{place.from_end}",
        octets,
        _holds(place),
        "yes" if place.covered else "no",
    )


def _holds(place: Place) -> str:
    """What a field holds."""
    field = place.field
    if field.kind == "literal":
        return field.octets.hex(" ").upper()
    if field.kind == "payload":
        return "octets for all nodes" if field.shared else "octets for the lanes"
    words = {
        "address": "whom the packet is for",
        "sequence": "goes up by one with every packet to the same address",
        "length": "see below",
        "check": "see below",
    }
    if place.octets == 1:
        return words[field.kind]
    first = {"big": "high octet first", "little": "low octet first"}
    return f"{words[field.kind]}, {first[field.order]}"


def _rules(profile: Profile, format: Format) -> list[tuple[str, str]]:  # noqa: A002
    """What no single field says."""
    layout = format.layout
    longest = format.longest_stuffed(layout.longest)
    on_line = f"; {longest} on the line at worst" if longest != layout.longest else ""
    size = f"{layout.shortest} to {layout.longest} octets{on_line}"
    if layout.shortest == layout.longest:
        size = f"{plural(layout.shortest, 'octet')}{on_line}"
    facts = [("whole packet", size)]
    if layout.length is not None:
        facts.append(("length field", _length(layout.length_adds)))
    if layout.address is not None:
        digits = 2 * layout.address.size
        bits = f"compared under the mask {layout.mask:0{digits}X}h"
        facts.append(("address", f"{bits}; see the nodes below"))
    if layout.broadcast:
        facts.append(("for all nodes", _broadcasts(profile, layout)))
    if is_shared(profile.packet):
        words = (
            "one packet carries the octets of all nodes; a node takes its own from the "
            "octet of its address on, the first octet being number 1"
        )
        facts.append(("shared payload", words))
    return facts


def _length(adds: int) -> str:
    if adds == 0:
        return "the octets of the payload"
    return f"the octets of the payload {'plus' if adds > 0 else 'less'} {abs(adds)}"


def _broadcasts(profile: Profile, layout: Layout) -> str:
    assert layout.address is not None
    digits = 2 * layout.address.size
    text = listed([f"{address:0{digits}X}h" for address in layout.broadcast])
    words = f"packets to address {text}"
    if any(node.processor.show == "sync" for node in profile.node):
        words += "; nodes that show on a sync show what they hold when one comes"
    return words


# --- a packet worked out --------------------------------------------------------------


def example_section(profile: Profile) -> Section:
    """One packet, octet by octet."""
    example = example_of(profile)
    packet, payload = example.packet, example.payload
    node = profile.node[0]
    whom = "" if example.address is None else f" for {clean(node.name)}"
    rows, at = [], 0
    for place in places_of(profile.packet):
        size = len(payload) if place.octets is None else place.octets
        octets = packet[at : at + size]
        rows.append((place.label, f"{at}", written(octets), _value(place, octets)))
        at += size
    blocks: list[Block] = [
        Words(f"A packet{whom} with {plural(len(payload), 'octet')} of payload."),
        Table("Its fields", ("field", "from", "octets, hexadecimal", "value"), rows),
        Listing("Unstuffed, hexadecimal", written_lines(packet, LISTING)),
        Listing(_on_line(profile.packet), written_lines(example.line, LISTING)),
    ]
    return Section("A packet worked out", blocks)


def _value(place: Place, octets: bytes) -> str:
    """What the octets of a field mean."""
    field = place.field
    if field.kind == "payload":
        return plural(len(octets), "octet")
    if field.kind == "literal":
        return ""
    value = int.from_bytes(octets, field.order)
    if field.kind == "check":
        return f"{value:0{2 * len(octets)}X}h"
    return f"{value}"


def _on_line(packet: Packet) -> str:
    """What the octets on the line are."""
    words = "On the line, hexadecimal"
    if packet.framing == "break":
        return f"{words}, after break and mark"
    if packet.framing == "ninth-bit":
        return f"{words}, the ninth bit 1 in the first character alone"
    if packet.framing == "silence":
        return f"{words}, a silence before and after"
    return words


# --- the nodes ------------------------------------------------------------------------


def nodes_section(profile: Profile) -> Section:
    """Nodes by name."""
    kinds, layout = alike(profile.node), format_of(profile.packet).layout
    digits = 2 if layout.address is None else 2 * layout.address.size
    heads, shared = ["node", "address", "hexadecimal"], is_shared(profile.packet)
    heads += ["octets of payload"] * shared + ["kind"] * (len(kinds) > 1)
    rows = []
    for node in profile.node:
        row = [clean(node.name), f"{node.address}", f"{node.address:0{digits}X}h"]
        if shared:
            last = node.address + node.output.payload_octets - 1
            row.append(f"number {node.address} to {last}")
        if len(kinds) > 1:
            row.append(letter(next(k for k, like in enumerate(kinds) if node in like)))
        rows.append(row)
    return Section("The nodes", [Table("Nodes on the line", heads, rows)])


def letter(kind: int) -> str:
    """The name of a kind of node: A to Z, then with numbers."""
    return f"{chr(ord('A') + kind % 26)}{kind // 26 or ''}"


__all__ = [
    "LISTING",
    "SEQUENCE",
    "exactly",
    "example_section",
    "letter",
    "line_section",
    "nodes_section",
    "packet_section",
]
