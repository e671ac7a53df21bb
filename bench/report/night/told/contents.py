"""What a burst held, lane by lane, and what was on the line before it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError
from bench.report.fields import places_of
from bench.report.night.blocks import Cell
from bench.report.night.reading import count, words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.profile import Profile

    Record = Mapping[str, Any]

_LANES = 32
"""Lanes that are listed; a port word has no more."""

_AROUND = 4
"""Octets that are written out from where contents begin to differ."""

_HEAD = 8
"""Octets of a packet before that are written out."""


def content_rows(row: Record, profile: Profile | None) -> list[list[Cell | str]]:
    """Sent and seen, for every part of the payload that belongs to one lane.

    Args:
        row: An anomaly.
        profile: That of the run; without it, the payload is one part.
    """
    sent, seen = _octets(row, "expected"), _octets(row, "seen")
    if sent is None or seen is None or sent == seen:
        return []
    parts = _parts(words(row, "node"), len(sent), profile)
    rows = []
    for name, first, end in parts[:_LANES]:
        rows.append(_part(name, first, end, sent, seen))
    if len(seen) != len(sent):
        sizes = Cell(count(len(seen)), "bad")
        rows.append(["size of the whole", count(len(sent)), "", "", sizes])
    return rows


def _part(
    name: str, first: int, end: int, sent: bytes, seen: bytes
) -> list[Cell | str]:
    """One part: how many octets differ, and how it goes from there."""
    ours, theirs = sent[first:end], seen[first:end]
    longest = max(len(ours), len(theirs))
    differ = [k for k in range(longest) if ours[k : k + 1] != theirs[k : k + 1]]
    where = f"{first} to {end - 1}"
    if not differ:
        return [name, where, Cell("none", "good"), "", ""]
    at = differ[0]
    piece = slice(at, at + _AROUND)
    return [
        Cell(name, "bad"),
        where,
        Cell(f"{count(len(differ))} of {count(longest)}", "bad"),
        f"{first + at}: {_hex(ours[piece])}",
        Cell(f"{first + at}: {_hex(theirs[piece])}", "bad"),
    ]


def _hex(octets: bytes) -> str:
    return octets.hex(" ").upper() or "nothing"


def _octets(row: Record, key: str) -> bytes | None:
    text = row.get(key)
    if not isinstance(text, str):
        return None
    try:
        return bytes.fromhex(text)
    except ValueError:
        return None


def _parts(
    node: str, octets: int, profile: Profile | None
) -> list[tuple[str, int, int]]:
    """The parts of a node's payload: name, first octet, and the one after the last."""
    if profile is not None:
        for known in profile.node:
            size = known.output.lane_octets
            if known.name == node and size and octets == size * known.output.lanes:
                return [
                    (f"lane {k}", k * size, (k + 1) * size)
                    for k in range(known.output.lanes)
                ]
    return [("payload", 0, octets)]


# --- before ---------------------------------------------------------------------------


def before_rows(
    packets: Sequence[str], profile: Profile | None
) -> list[list[Cell | str]]:
    """The packets before an anomaly: size, address, whose, and how they begin."""
    address = _address(profile)
    names = (
        {} if profile is None else {node.address: node.name for node in profile.node}
    )
    rows: list[list[Cell | str]] = []
    for back, text in zip(range(len(packets), 0, -1), packets, strict=True):
        try:
            octets = bytes.fromhex(text)
        except ValueError:
            rows.append([f"{back} before", Cell("damaged", "bad"), "", "", ""])
            continue
        whom, name = "–", "–"
        if address is not None and len(octets) >= address[1]:
            value = int.from_bytes(octets[slice(*address)], "big")
            whom, name = str(value), names.get(value, "another one")
        head = _hex(octets[:_HEAD]) + (" …" if len(octets) > _HEAD else "")
        rows.append([f"{back} before", count(len(octets)), whom, name, head])
    return rows


def _address(profile: Profile | None) -> tuple[int, int] | None:
    """Where the address of a packet lies, if it is one octet at a fixed place."""
    if profile is None or profile.packet.framing in ("cobs", "slip", "hdlc"):
        return None
    try:
        places = places_of(profile.packet)
    except BenchError:
        return None
    for place in places:
        if place.label == "address" and place.at is not None and place.octets == 1:
            return place.at, place.at + 1
    return None
