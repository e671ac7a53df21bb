"""The check and the stuffing on paper, in words from which they can be built again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.report.fields import check_of, places_of
from bench.report.handbook.document import Facts, Listing, Section, Words, listed
from bench.report.handbook.example import example_of, stuffed_example, written
from bench.report.header.checks import turned
from bench.wire.checks import CHECK_INPUT, Kind
from bench.wire.format import END, Stuffing, format_of

if TYPE_CHECKING:
    from bench.profile import Profile
    from bench.report.handbook.document import Block
    from bench.wire.checks import Check
    from bench.wire.format import CheckRule


def check_section(profile: Profile) -> Section:
    """What covers the packet, how it is computed, and for the example."""
    layout = format_of(profile.packet).layout
    check, rule = check_of(layout), layout.check
    if check is None or rule is None:
        return Section("The check", [Words("Packets have no check.")])
    covered = [place.label for place in places_of(profile.packet) if place.covered]
    names = listed([covered[0], covered[-1]] if len(covered) > 2 else covered)
    span = f"from {covered[0]} to {covered[-1]}" if len(covered) > 2 else names
    digits = CHECK_INPUT.hex(" ").upper()
    value = f"{_hex(check.compute(CHECK_INPUT), check)} over the nine octets {digits}"
    facts = [
        ("check", f"{check.name}, {check.width} bits in {check.size} octets"),
        ("covers", span),
        ("on the line", _order(check, rule)),
        *_parameters(check),
        ("check value", f"{value} (the digits 1 to 9 in ASCII)"),
    ]
    blocks: list[Block] = [Facts(facts), *[Words(words) for words in _steps(check)]]
    blocks.append(_worked(profile, rule))
    return Section("The check", blocks)


def _hex(value: int, check: Check) -> str:
    return f"{value:0{-(-check.width // 4)}X}h"


def _order(check: Check, rule: CheckRule) -> str:
    if check.size == 1:
        return "one octet"
    first = {"big": "high octet first", "little": "low octet first"}
    return first[rule.field.order]


def _parameters(check: Check) -> list[tuple[str, str]]:
    """The parameters of a CRC as the catalogue states them."""
    if check.kind != Kind.CRC:
        return []
    return [
        ("polynomial", f"{_hex(check.poly, check)}: {polynomial(check)}"),
        ("initial register", _hex(check.init, check)),
        ("octets enter", f"{'low' if check.refin else 'high'} bit first"),
        ("result", "turned round" if check.refout else "as it is"),
        ("final xor", _hex(check.xorout, check)),
    ]


def polynomial(check: Check) -> str:
    """A polynomial by its terms."""
    powers = [
        k
        for k in range(check.width, -1, -1)
        if (1 << check.width | check.poly) >> k & 1
    ]
    names = {0: "1", 1: "x"}
    return " + ".join(names.get(power, f"x^{power}") for power in powers)


def _steps(check: Check) -> list[str]:
    """How to compute a check, in words."""
    if check.kind == Kind.CRC:
        return _crc_steps(check)
    if check.kind == Kind.SUM:
        words = f"Add up the octets, modulo {1 << check.width}."
        if check.xorout or check.init:
            words += " Then invert every bit and add one: the two's complement."
        return [words]
    if check.kind == Kind.XOR:
        return ["Xor the octets with each other, beginning with 00h."]
    half = check.width // 2
    what = "octet"
    if half == 16:
        what = "word of two octets, the low one first, the last one filled up with 00h"
    words = (
        f"Two sums modulo {(1 << half) - 1}, both beginning with 0. For every {what}: "
        "add it to the first sum, then add the first sum to the second one. The second "
        "sum is the high half of the value, the first one the low half."
    )
    return [words]


def _crc_steps(check: Check) -> list[str]:
    """A CRC bit by bit: slow, and right for any width."""
    if check.refin:
        init, poly = (turned(value, check.width) for value in (check.init, check.poly))
        first, way = "lowest", "right"
    else:
        init, poly, first, way = check.init, check.poly, "highest", "left"
    words = (
        f"Bit by bit: the register of {check.width} bits begins with "
        f"{_hex(init, check)}. For every octet, and for every bit of it from the "
        f"{first} on: xor the bit with the {first} bit of the register, shift the "
        f"register one place to the {way}, filling with 0, and if that xor was 1, xor "
        f"the register with {_hex(poly, check)}."
    )
    ends = []
    if check.refin != check.refout:
        ends.append("turn the register round, its lowest bit becoming the highest")
    if check.xorout:
        ends.append(f"xor it with {_hex(check.xorout, check)}")
    words += f" At the end, {', then '.join(ends)}." if ends else ""
    return [f"{words} That is the value."]


def _worked(profile: Profile, rule: CheckRule) -> Listing:
    """The check of the worked packet."""
    example = example_of(profile)
    packet = example.packet
    start = rule.start if rule.start >= 0 else len(packet) + rule.start
    end = len(packet) if rule.end == END else rule.end
    end = end if end >= 0 else len(packet) + end
    value = rule.check.compute(packet[start:end])
    on_line = value.to_bytes(rule.check.size, rule.field.order)
    return Listing(
        "Of the packet that was worked out",
        [
            f"covered   {written(packet[start:end])}",
            f"value     {_hex(value, rule.check)}",
            f"on line   {written(on_line)}",
        ],
    )


# --- stuffing -------------------------------------------------------------------------


def stuffing_section(profile: Profile) -> Section | None:
    """How octets are replaced; None where none are."""
    format = format_of(profile.packet)  # noqa: A001 (the word for it)
    if format.unstuffing.kind == Stuffing.NONE:
        return None
    octets, stuffed = stuffed_example(format)
    worked = Listing(
        "Worked out for some octets, hexadecimal",
        [f"octets    {written(octets)}", f"on line   {written(stuffed)}"],
    )
    return Section(
        "Stuffing", [*[Words(w) for w in _STUFFINGS[format.unstuffing.kind]], worked]
    )


_STUFFINGS = {
    Stuffing.COBS: (
        (
            "Consistent overhead byte stuffing, over the whole packet, check "
            "included. Add an octet 00h at the end, then cut the packet after every "
            "00h into groups. Each group is sent without its 00h, led by an octet "
            "that says how long it was, the 00h included: 01h to FEh. A group with "
            "254 octets or more before its 00h is cut after 254 of them; that part "
            "is led by FFh and stands for 254 octets with no 00h after them, and the "
            "rest is a group of its own. Where nothing but the added 00h is left "
            "after such a part, no group need follow. After the last group comes the "
            "delimiter, 00h."
        ),
        (
            "To undo it: read a count n, take the n - 1 octets after it, and put a "
            "00h after them unless n was FFh or the packet ends there. A count of "
            "00h, or one that reaches past the delimiter, is a fault."
        ),
    ),
    Stuffing.ESCAPE: (
        (
            "After RFC 1055, over the whole packet, check included: C0h is sent as "
            "DBh DCh, and DBh as DBh DDh. A delimiter C0h comes before the packet "
            "and after it. DBh followed by anything but DCh or DDh is a fault. At "
            "worst every octet is doubled."
        ),
    ),
    Stuffing.FLIP: (
        (
            "After RFC 1662, over the whole packet, check included: 7Eh is sent as "
            "7Dh 5Eh, and 7Dh as 7Dh 5Dh: the escape, then the octet xored with 20h. "
            "A receiver takes whatever follows an escape, xored with 20h. A flag 7Eh "
            "comes before the packet and after it. An escape right before the "
            "closing flag means that the sender took the packet back. At worst every "
            "octet is doubled."
        ),
    ),
}
