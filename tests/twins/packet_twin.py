"""Plain twin of the packet builder: a packet written field by field, then stuffed.

A format is a dict: `framing`, and `fields`, each a dict with the keys of the profile.
"""

from __future__ import annotations

from . import checks_twin

_ESCAPES = {
    "slip": (0xDB, {0xC0: 0xDC, 0xDB: 0xDD}),  # RFC 1055
    "hdlc": (0x7D, {0x7D: 0x5D, 0x7E: 0x5E}),  # RFC 1662, 4.2
}
_DELIMITERS = {"cobs": 0x00, "slip": 0xC0, "hdlc": 0x7E}
_LEADING = ("slip", "hdlc")


def _size(field: dict, payload: int) -> int:
    if field["kind"] == "literal":
        return len(field["octets"])
    if field["kind"] == "payload":
        return payload
    if field["kind"] == "check":
        return checks_twin.size(field["algorithm"])
    return field["size"]


def _length(fields: list[dict], field: dict, payload: int) -> int:
    place = fields.index(field)
    counted = {
        "payload": [{"kind": "payload"}],
        "after": fields[place + 1 :],
        "packet": fields,
    }[field["counts"]]
    return sum(_size(other, payload) for other in counted) + field["add"]


def build(format: dict, address: int, sequence: int, payload: bytes) -> bytes:  # noqa: A002
    """One packet before stuffing; a check is worked out when all else is written."""
    fields = format["fields"]
    parts = []
    for field in fields:
        value = None
        if field["kind"] == "address":
            value = address
        elif field["kind"] == "sequence":
            value = sequence % 256 ** field["size"]
        elif field["kind"] == "length":
            value = _length(fields, field, len(payload))
        if value is not None:
            parts.append(value.to_bytes(field["size"], field["order"]))
        elif field["kind"] == "literal":
            parts.append(field["octets"])
        elif field["kind"] == "payload":
            parts.append(payload)
        else:
            parts.append(bytes(_size(field, 0)))
    for place, field in enumerate(fields):
        if field["kind"] == "check":
            first = 1 if format["framing"] == "marker" else 0
            last = place - 1
            if field.get("covers"):
                kinds = [other["kind"] for other in fields]
                first, last = (kinds.index(kind) for kind in field["covers"])
            covered = b"".join(parts[first : last + 1])
            value = checks_twin.value(field["algorithm"], covered)
            parts[place] = value.to_bytes(len(parts[place]), field["order"])
    return b"".join(parts)


def _cobs(packet: bytes) -> bytes:
    """Cheshire and Baker 1999; no empty group after a full one at the very end."""
    out, group = b"", b""
    for place, octet in enumerate(packet):
        if octet == 0:
            out += bytes([len(group) + 1]) + group
            group = b""
        else:
            group += bytes([octet])
            if len(group) == 254 and place + 1 < len(packet):
                out += b"\xff" + group
                group = b""
    return out + bytes([len(group) + 1]) + group


def stuff(framing: str, packet: bytes) -> bytes:
    """The octets on the line, delimiters included."""
    if framing == "cobs":
        packet = _cobs(packet)
    elif framing in _ESCAPES:
        escape, codes = _ESCAPES[framing]
        packet = b"".join(
            bytes([escape, codes[octet]]) if octet in codes else bytes([octet])
            for octet in packet
        )
    if framing not in _DELIMITERS:
        return packet
    delimiter = bytes([_DELIMITERS[framing]])
    return (delimiter if framing in _LEADING else b"") + packet + delimiter


def plain_size(format: dict, payload: int) -> int:  # noqa: A002
    """Octets before stuffing."""
    return sum(_size(field, payload) for field in format["fields"])


def sizes(format: dict, payload: int) -> tuple[int, int]:  # noqa: A002
    """Characters of a packet if nothing needs replacing, and if everything does.

    COBS counts as its worst in both: an octet for every 254 begun, one at least.
    """
    octets = plain_size(format, payload)
    framing = format["framing"]
    around = (framing in _DELIMITERS) + (framing in _LEADING)
    if framing == "cobs":
        octets += max(1, -(-octets // 254))
    twice = 2 if framing in _ESCAPES else 1
    return octets + around, twice * octets + around
