"""How pieces are made: a good packet on the line, and what an attacker makes of one.

Every hostile kind is a name and a function from a `Ground` (a good packet, and what may
be drawn) to symbols.  No kind holds more than one packet that a node is to show, so
that traffic with rests between its pieces asks nothing of a node that it has no time
for.  A kind that a format cannot have, a wrong check where there is none, is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from bench.base.columns import Flaw
from bench.strategies.sent import Idle, Marked, Run
from bench.wire.format import Delimiter, Stuffing, format_of
from bench.wire.packets import build, encode

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.profile import Profile
    from bench.strategies.sent import Symbol
    from bench.wire.format import Format, Number

__all__ = ["HOSTILE", "Ground", "hostile_kinds", "on_line"]

Symbols = tuple["Symbol", ...]


@dataclass(frozen=True)
class Ground:
    """What a piece is made of.

    Attributes:
        profile: The profile.
        address: Of the node that is attacked; None where packets have none.
        payload: What a good packet to it carries.
        sequence: Its number.
        whole: Draws a whole number from so many to so many; shrinks to the first.
        octets: Draws so many octets at most.
    """

    profile: Profile
    address: int | None
    payload: bytes
    sequence: int
    whole: Callable[[int, int], int]
    octets: Callable[[int], bytes]

    @property
    def form(self) -> Format:
        """The packet format."""
        return format_of(self.profile.packet)

    @property
    def good(self) -> bytes:
        """A good packet, unstuffed."""
        return self.packet()

    def packet(
        self,
        *,
        address: int | None = None,
        payload: bytes | None = None,
        check_xor: int = 0,
    ) -> bytes:
        """A packet, unstuffed, that differs from a good one in some way."""
        return build(
            self.form,
            address=self.address if address is None else address,
            payload=self.payload if payload is None else payload,
            sequence=self.sequence,
            check_xor=check_xor,
        )

    def sent(self, packet: bytes) -> Symbols:
        """A packet on the line."""
        return on_line(self.profile, encode(self.form, packet))


def on_line(profile: Profile, octets: bytes) -> Symbols:
    """Octets of a packet as they lie on the line, with what else delimits them."""
    form = format_of(profile.packet)
    kind, silence = form.delimiting.kind, form.delimiting.silence_ns
    symbols: list[Symbol] = []
    if kind == Delimiter.BREAK:
        packet = profile.packet
        break_ns = packet.break_ns or 2 * profile.bus.character.at(1)
        symbols.append(Marked(0, Flaw.BREAK, break_ns))
        symbols.append(Idle(packet.mark_after_break_ns or 0))
    if kind == Delimiter.NINTH and octets:
        symbols.append(Marked(octets[0], Flaw.ADDRESS))
        octets = octets[1:]
    symbols.append(Run(octets))
    if kind == Delimiter.SILENCE or (form.open_ended and silence):
        symbols.append(Idle(silence or 0))
    return tuple(symbols)


# --- kinds ----------------------------------------------------------------------------


class Kind(NamedTuple):
    """One way to be hostile.

    Attributes:
        told: What is sent.
        fits: Whether a format can have it.
        make: Makes it.
        octets: Whether it is made of octets, or needs a line.
    """

    told: str
    fits: Callable[[Profile, Format], bool]
    make: Callable[[Ground], Symbols]
    octets: bool = True


def hostile_kinds(profile: Profile, *, line: bool = False) -> list[str]:
    """The kinds that a profile can have, the plainest first.

    Args:
        profile: The profile.
        line: Whether those that need more than octets are among them.
    """
    form = format_of(profile.packet)
    return [
        name
        for name, kind in HOSTILE.items()
        if (kind.octets or line) and kind.fits(profile, form)
    ]


def _always(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return True


def _has_check(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return form.layout.check is not None and form.layout.check.field.size > 0


def _has_long_check(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return form.layout.check is not None and form.layout.check.field.size > 1


def _has_length(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return form.layout.length is not None


def _has_literal(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return bool(form.layout.literals) or form.delimiting.kind == Delimiter.MARKER


def _has_address(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return form.layout.address is not None


def _varies(profile: Profile, form: Format) -> bool:
    return form.layout.least < form.layout.most and not profile.packet.shared


def _has_long_marker(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    marked = form.delimiting.kind == Delimiter.MARKER
    return marked and len(form.delimiting.octets) > 1


def _has_delimiter(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return form.delimiting.kind == Delimiter.OCTET


def _has_escape(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return form.unstuffing.kind != Stuffing.NONE


def _has_pause(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return form.delimiting.pause_ns is not None or bool(form.delimiting.silence_ns)


def _nests(profile: Profile, form: Format) -> bool:  # noqa: ARG001
    return form.layout.most > 0


# --- made -----------------------------------------------------------------------------


def _check_wrong(ground: Ground) -> Symbols:
    rule = ground.form.layout.check
    assert rule is not None
    xor = ground.whole(1, (1 << rule.check.width) - 1)
    return ground.sent(ground.packet(check_xor=xor))


def _check_turned(ground: Ground) -> Symbols:
    rule = ground.form.layout.check
    assert rule is not None
    packet = bytearray(ground.good)
    span = _span(rule.field, packet)
    packet[span] = packet[span][::-1]
    return ground.sent(bytes(packet))


def _length_wrong(ground: Ground) -> Symbols:
    length = ground.form.layout.length
    assert length is not None
    packet = bytearray(ground.good)
    span = _span(length, packet)
    value = int.from_bytes(packet[span], length.order)
    # 1 above, 1 below, 2 above …: near ones first, every other value in the end.
    step = ground.whole(0, length.most - 1)
    other = value + (step // 2 + 1) * (-1 if step % 2 else 1)
    other %= length.most + 1
    packet[span] = other.to_bytes(length.size, length.order)
    return ground.sent(bytes(packet))


def _literal_wrong(ground: Ground) -> Symbols:
    form, packet = ground.form, bytearray(ground.good)
    places = [
        (at if at >= 0 else len(packet) + at) + k
        for at, octets in form.layout.literals
        for k in range(len(octets))
    ]
    if form.delimiting.kind == Delimiter.MARKER:
        places += range(len(form.delimiting.octets))
    at = places[ground.whole(0, len(places) - 1)]
    packet[at] ^= ground.whole(1, 255)
    return ground.sent(bytes(packet))


def _other_address(ground: Ground) -> Symbols:
    layout = ground.form.layout
    assert layout.address is not None
    assert ground.address is not None
    other = ground.address ^ ground.whole(1, layout.address.most)
    return ground.sent(ground.packet(address=other))


def _wrong_size(ground: Ground) -> Symbols:
    layout = ground.form.layout
    sizes = layout.most - layout.least
    size = layout.least + ground.whole(0, sizes - 1)
    size += size >= len(ground.payload)  # any but the right one
    payload = ground.payload[:size].ljust(size, b"\x00")
    return ground.sent(ground.packet(payload=payload))


def _cut(ground: Ground) -> Symbols:
    octets = encode(ground.form, ground.good)
    return on_line(ground.profile, octets[: ground.whole(1, len(octets) - 1)])


def _begun_again(ground: Ground) -> Symbols:
    return (*_cut(ground), *ground.sent(ground.good))


def _packet_inside(ground: Ground) -> Symbols:
    inner = encode(ground.form, ground.good)[: len(ground.payload)]
    payload = ground.payload[: len(ground.payload) - len(inner)] + inner
    return ground.sent(ground.packet(payload=payload))


def _marker_torn(ground: Ground) -> Symbols:
    octets = encode(ground.form, ground.good)
    at = ground.whole(1, len(ground.form.delimiting.octets) - 1)
    return (Run(octets[:at] + ground.octets(3) + octets[at:]),)


def _delimiters(ground: Ground) -> Symbols:
    more = ground.form.delimiting.octets * ground.whole(1, 4)
    return (Run(more), *ground.sent(ground.good), Run(more))


def _bad_stuffing(ground: Ground) -> Symbols:
    form = ground.form
    octets = bytearray(encode(form, ground.good))
    inside = range(form.delimiting.leading, len(octets) - 1)
    at = inside[ground.whole(0, len(inside) - 1)]
    if form.unstuffing.kind == Stuffing.COBS:
        octets[at] = ground.whole(1, 255)  # a count, or taken for an octet of one
    else:
        octets[at : at + 1] = bytes([form.unstuffing.escape, ground.whole(0, 255)])
    return on_line(ground.profile, bytes(octets))


def _wrong_bits(ground: Ground) -> Symbols:
    octets = bytearray(encode(ground.form, ground.good))
    for _ in range(ground.whole(1, 3)):
        bit = ground.whole(0, 8 * len(octets) - 1)
        octets[bit // 8] ^= 1 << bit % 8
    return on_line(ground.profile, bytes(octets))


def _noise(ground: Ground) -> Symbols:
    return on_line(ground.profile, ground.octets(24))


def _noise_inside(ground: Ground) -> Symbols:
    octets = encode(ground.form, ground.good)
    at = ground.whole(0, len(octets))
    octets = octets[:at] + ground.octets(8) + octets[at:]
    return on_line(ground.profile, octets)


def _pause_inside(ground: Ground) -> Symbols:
    delimiting = ground.form.delimiting
    least = delimiting.pause_ns or delimiting.silence_ns or 0
    most = 2 * max(least, delimiting.silence_ns or 0)
    return _broken(ground, Idle(ground.whole(least + 1, most + 1)))


def _line_error(ground: Ground) -> Symbols:
    kind = Flaw.PARITY if ground.profile.bus.parity != "none" else Flaw.FRAMING
    return _broken(ground, Marked(ground.whole(0, 255), kind))


def _break_inside(ground: Ground) -> Symbols:
    character_ns = ground.profile.bus.character.at(1)
    length = ground.whole(2 * character_ns, 20 * character_ns)
    return _broken(ground, Marked(0, Flaw.BREAK, length))


def _broken(ground: Ground, symbol: Symbol) -> Symbols:
    """A packet with something between two of its octets."""
    octets = encode(ground.form, ground.good)
    at = ground.whole(1, len(octets) - 1)
    before, after = on_line(ground.profile, octets[:at]), Run(octets[at:])
    if isinstance(before[-1], Idle):
        return (*before[:-1], symbol, after, before[-1])
    return (*before, symbol, after)


def _span(number: Number, packet: bytearray) -> slice:
    """Where a number lies in a packet."""
    at = number.at if number.at >= 0 else len(packet) + number.at
    return slice(at, at + number.size)


HOSTILE = {
    "check-wrong": Kind("a packet whose check is wrong", _has_check, _check_wrong),
    "check-turned": Kind(
        "a packet whose check's octets are turned round", _has_long_check, _check_turned
    ),
    "length-wrong": Kind(
        "a packet that says another length", _has_length, _length_wrong
    ),
    "literal-wrong": Kind(
        "a packet with another literal", _has_literal, _literal_wrong
    ),
    "other-address": Kind(
        "a sound packet for another address", _has_address, _other_address
    ),
    "wrong-size": Kind(
        "a sound packet that does not fill the lanes", _varies, _wrong_size
    ),
    "cut": Kind("the beginning of a packet", _always, _cut),
    "begun-again": Kind(
        "the beginning of a packet, then a good one", _always, _begun_again
    ),
    "packet-inside": Kind(
        "a good packet that carries one, or its beginning", _nests, _packet_inside
    ),
    "marker-torn": Kind(
        "a packet with octets inside its marker", _has_long_marker, _marker_torn
    ),
    "delimiters": Kind(
        "a good packet with delimiters too many", _has_delimiter, _delimiters
    ),
    "bad-stuffing": Kind(
        "a packet with a wrong escape or count", _has_escape, _bad_stuffing
    ),
    "wrong-bits": Kind("a packet with up to three wrong bits", _always, _wrong_bits),
    "noise": Kind("octets of any kind", _always, _noise),
    "noise-inside": Kind("octets put into a packet", _always, _noise_inside),
    "pause-inside": Kind(
        "a packet with a pause in it", _has_pause, _pause_inside, octets=False
    ),
    "line-error": Kind(
        "a packet with a line error in it", _always, _line_error, octets=False
    ),
    "break-inside": Kind(
        "a packet with a break in it", _always, _break_inside, octets=False
    ),
}
"""Every kind by its name, the plainest first."""
