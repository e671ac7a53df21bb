"""A case in words: what to send, as a note at the bench."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from bench.fuzz.attacks.kinds import KINDS

if TYPE_CHECKING:
    from bench.fuzz.attacks.laid import Laid

__all__ = ["duration", "told"]

_MOST_OCTETS = 64
"""Octets of a packet that are written out; of a longer one its beginning and end."""

_FLAWS = {
    1: "missing stop bit",
    2: "wrong parity",
    3: "break",
    4: "ninth bit set",
}


def told(laid: Laid) -> list[str]:
    """What is sent, a line for each piece, and where the line idles."""
    lines = [
        f"{KINDS[kind].name}: {_meaning(kind, place, value)}"
        for kind, place, value in laid.case.rows.tolist()
    ]
    starts, flaws = laid.starts, laid.line.flaws
    end_ns = 0
    for piece in laid.pieces:
        first, end = int(piece["first"]), int(piece["first"] + piece["octets"])
        idle_ns = int(piece["start_ns"]) - end_ns
        if end_ns and idle_ns > 0:
            lines.append(f"idle {duration(idle_ns)}")
        octets = _octets(laid.line.octets[first:end].tobytes())
        lines.append(f"{_what(piece)}: {octets or 'nothing'}")
        inside = flaws[(flaws["at"] >= first) & (flaws["at"] < end)]
        lines += [
            f"  at octet {int(flaw['at']) - first}: {_FLAWS[int(flaw['kind'])]}"
            + (f" of {duration(int(flaw['length_ns']))}" if flaw["length_ns"] else "")
            for flaw in inside
        ]
        lines += _gaps(starts[first:end], laid.ground.spec.uart.character_ns)
        end_ns = int(piece["last_bit_ns"])
    for _, at_ns in laid.resets:
        lines.append(f"the node begins anew at {duration(at_ns)}")
    return lines


def duration(ns: int) -> str:
    """A time in the unit that a person would take."""
    for unit, size in (("s", 10**9), ("ms", 10**6), ("us", 10**3)):
        if ns >= size:
            return f"{ns / size:.9g} {unit}"
    return f"{ns} ns"


def _meaning(kind: int, place: int, value: int) -> str:
    """The sentence of an attack, with its numbers."""
    one = KINDS[kind]
    parts = [one.sentence]
    if one.place:
        parts.append(f"{one.place}: {place}")
    if one.value:
        text = duration(value) if one.value.endswith("ns") else str(value)
        parts.append(f"{one.value}: {text}")
    return "; ".join(parts)


def _what(piece) -> str:  # type: ignore[no-untyped-def]
    """What a piece is."""
    kind = KINDS[int(piece["kind"])].name
    if kind != "calm" and not piece["payload_octets"]:
        return kind
    if piece["own"] == 1:
        return "a good packet"
    if piece["own"] == 2:
        return "a good packet for every node"
    return "a packet for somebody else"


def _octets(octets: bytes) -> str:
    """Octets in hexadecimal, the middle of very many left out."""
    if len(octets) <= _MOST_OCTETS:
        return octets.hex(" ").upper()
    half = _MOST_OCTETS // 2
    left = len(octets) - 2 * half
    return (
        f"{octets[:half].hex(' ').upper()} … {left} more … "
        f"{octets[-half:].hex(' ').upper()}"
    )


def _gaps(starts, character_ns: int) -> list[str]:  # type: ignore[no-untyped-def]
    """Where the line idles within a piece; many alike as one line."""
    gaps = [
        (k + 1, b - a - character_ns)
        for k, (a, b) in enumerate(pairwise(starts.tolist()))
        if b - a > character_ns + 1
    ]
    if len(gaps) > 4:
        most = max(ns for _, ns in gaps)
        return [f"  idle {len(gaps)} times within it, at most {duration(most)}"]
    return [f"  idle {duration(ns)} before octet {k}" for k, ns in gaps]
