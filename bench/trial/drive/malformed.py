"""Malformed packets, one at a time and on purpose.

Each is a packet for a node of the profile, as it would be sent, with one thing wrong.
Its payload is drawn by counter and kept under the brightness cap: should a node show
it, nobody is blinded.  Only one with a wrong address is a packet at all, a foreign one;
the others are characters that no node may make anything of.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, Flaw, Line, Sent, To, no_octets, no_rows
from bench.base.errors import BenchError, Fault
from bench.base.seeds import stream_key
from bench.traffic.light import LightGuard
from bench.traffic.load import costs_of
from bench.wire.format import END, Delimiter, format_of
from bench.wire.packets import build, encode

if TYPE_CHECKING:
    from bench.base.columns import Rows
    from bench.profile.model import Profile
    from bench.traffic.place import Place
    from bench.wire.format import Format

_CHECK_BITS = 0x5A
"""What a check is xored with: several bits, so that no sum hides it."""


@dataclass(frozen=True, slots=True)
class Malformed:
    """One malformed packet.

    Attributes:
        octets: On the line, stuffed and delimited; a break is not among them.
        address: Whom it claims to be for; None where the format has no address.
        payload_octets: Of its payload.
        sound: Whether it is a packet at all.
    """

    octets: bytes
    address: int | None
    payload_octets: int
    sound: bool


def malformed(profile: Profile, kind: str, number: int) -> Malformed:
    """A malformed packet.

    Args:
        profile: Whose packets are meant.
        kind: A name of `bench.trial.drive.asked.commands.BAD`.
        number: Which one; they take turns with the nodes.

    Raises:
        BenchError: If the format has nothing that could be wrong in this way.
    """
    costs = costs_of(profile)
    format_, layout = costs.format, costs.format.layout
    payload = _payload(profile, number, costs.sizes[number % len(costs.sizes)])
    address: int | None = None
    if layout.address is not None:
        address = profile.node[number % len(profile.node)].address
    if kind == "address":
        address = _one_bit_off(profile, format_, address)
    if kind == "check" and (layout.check is None or not layout.check.field.size):
        raise BenchError(Fault("packets have no check", kind, where="packet.fields"))
    spoilt = _CHECK_BITS if kind == "check" else 0
    packet = build(format_, address=address, payload=payload, check_xor=spoilt)
    if kind == "length":
        packet = _too_long(format_, packet)
    octets = encode(format_, packet)
    if kind == "short":
        octets = _cut(format_, octets)
    return Malformed(octets, address, len(payload), kind == "address")


def _payload(profile: Profile, number: int, octets: int) -> bytes:
    """A payload that is like no other, and no brighter than it may be."""
    key = np.array(stream_key(number, "malformed"), np.uint64)
    words = np.random.Philox(key=key).random_raw(-(-octets // 8))
    payload = np.array(words, "<u8").view(np.uint8)[:octets].copy()
    guard = LightGuard(profile)
    places = costs_of(profile).windows
    parts = [payload[at : at + size][None, :] for at, size in places]
    for (at, size), dimmed in zip(places, guard.dim(parts), strict=True):
        payload[at : at + size] = dimmed[0]
    return payload.tobytes()


def _one_bit_off(profile: Profile, format_: Format, address: int | None) -> int:
    """An address that differs in one bit and is nobody's."""
    layout = format_.layout
    if address is None or layout.address is None:
        raise BenchError(Fault("packets have no address", where="packet.fields"))
    mask = layout.mask & layout.address.most
    known = [*(node.address for node in profile.node), *layout.broadcast]
    taken = {one & mask for one in known}
    for bit in range(8 * layout.address.size):
        other = address ^ (1 << bit)
        if (1 << bit) & mask and other & mask not in taken:
            return other
    what = "every address one bit off is somebody's"
    raise BenchError(Fault(what, str(address), where="packet.fields"))


def _too_long(format_: Format, packet: bytes) -> bytes:
    """A packet that claims one octet more than it has; its check holds."""
    layout = format_.layout
    field, rule = layout.length, layout.check
    if field is None:
        raise BenchError(Fault("packets have no length field", where="packet.fields"))
    wrong = bytearray(packet)
    at = field.at if field.at >= 0 else len(packet) + field.at
    said = int.from_bytes(packet[at : at + field.size], field.order)
    claimed = said + 1 if said < field.most else said - 1
    wrong[at : at + field.size] = claimed.to_bytes(field.size, field.order)
    if rule is not None and rule.field.size:
        start, end, place = (
            one if one >= 0 else len(packet) + one
            for one in (rule.start, rule.end, rule.field.at)
        )
        end = len(packet) if rule.end == END else end
        value = rule.check.compute(bytes(wrong[start:end]))
        size = rule.field.size
        wrong[place : place + size] = value.to_bytes(size, rule.field.order)
    return bytes(wrong)


def _cut(format_: Format, octets: bytes) -> bytes:
    """The first half of a packet; what delimits it at its end stands."""
    half = octets[: max(1, len(octets) // 2)]
    if format_.delimiting.kind == Delimiter.OCTET:
        half += format_.delimiting.octets
    return half


# --- on the line ----------------------------------------------------------------------


def on_line(
    profile: Profile, bad: Malformed, place: Place
) -> tuple[Line, Sent, int, int]:
    """A malformed packet at a place of the line.

    Args:
        profile: The line.
        bad: The packet.
        place: Where it begins.

    Returns:
        The chunk, and where the line is free after it.
    """
    pitch, packet = profile.bus.pitch, profile.packet
    kind = format_of(packet).delimiting.kind
    octets = np.frombuffer(bad.octets, np.uint8)
    ns, rem, apart = place.ns, place.rem, False
    if kind == Delimiter.SILENCE or profile.traffic.pacing == "timed":
        ns, rem = ns + (rem > 0), 0
    start_ns, flaws, runs = ns, no_rows(FLAW), np.array([(0, ns, rem)], RUN)
    if kind == Delimiter.BREAK:
        apart = True
        flaws = np.array([(0, packet.break_ns, int(Flaw.BREAK))], FLAW)
        ns += (packet.break_ns or 0) + (packet.mark_after_break_ns or 0)
        octets = np.concatenate([np.zeros(1, np.uint8), octets])
        runs = np.array([runs[0], (1, ns, rem)], RUN)
    elif kind == Delimiter.NINTH:
        flaws = np.array([(0, 0, int(Flaw.ADDRESS))], FLAW)
    ns, rem = pitch.after(len(octets) - apart, ns, rem)
    last_ns = ns - profile.bus.virtual_idle_ns
    if kind == Delimiter.SILENCE:
        ns, rem = ns + (rem > 0) + (packet.silence_ns or 0), 0
    rows = no_rows(SENT)
    if bad.sound:
        rows = _row(bad, place, len(octets), (start_ns, last_ns))
    line = Line(octets, runs, flaws, place.first, ns)
    return line, Sent(rows, no_octets()), ns, rem


def _row(bad: Malformed, place: Place, octets: int, times: tuple[int, int]) -> Rows:
    """What the schedule would say of such a foreign packet."""
    rows = np.zeros(1, SENT)
    row = rows[0]
    row["packet"], row["frame"], row["first"] = place.packet, -1, place.first
    row["octets"] = octets
    row["start_ns"], row["last_bit_ns"] = times
    row["payload_at"], row["payload_octets"] = -1, bad.payload_octets
    row["address"] = -1 if bad.address is None else bad.address
    row["to"] = To.FOREIGN
    return rows
