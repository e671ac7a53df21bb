"""What packets look like: their sizes, and which octets of their payloads change.

A table a person can compare with a packet sheet, not a stream of octets: what never
changes is told with its value, what changes only as "changes", and of the last packet
no more than its first octets are kept.
"""

from __future__ import annotations

from collections import Counter
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.wire.checks import Check

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.profile.model import Packet as PacketSection

KEPT_OCTETS = 64
"""Of the last payload, so many octets at most are kept for the report."""

_SIZES = 8
_RANGES = 12
"""Sizes, and ranges of octets, that are told; of the rest only how many."""

_COMPARED = 8
"""Different sizes whose payloads are compared: the first that come."""

_OF_A_FIELD = 4
"""Octets of a field that are told: all of any field but the payload, as a rule."""

_LONGEST = 1 << 16
"""Octets of a payload that are compared; a longer one is compared so far."""


def fields_of(packet: PacketSection, raw: bytes) -> list[dict[str, Any]]:
    """The fields of one unstuffed packet, in the order of the wire.

    Args:
        packet: How packets are laid out.
        raw: A sound packet.

    Returns:
        Of each field its kind, its octets, and the first of them in hexadecimal.
    """
    sizes = []
    for field in packet.fields:
        if field.kind == "literal":
            sizes.append(len(field.octets))
        elif field.kind == "check":
            sizes.append(Check.named(field.algorithm).size)
        else:
            sizes.append(0 if field.kind == "payload" else field.size)
    rest, at, told = len(raw) - sum(sizes), 0, []
    for field, size in zip(packet.fields, sizes, strict=True):
        octets = rest if field.kind == "payload" else size
        head = raw[at : at + min(octets, _OF_A_FIELD)].hex().upper()
        told.append({"field": field.kind, "octets": octets, "begins": head})
        at += octets
    return [field for field in told if field["octets"]]


class Looks:
    """What the payloads of one address look like."""

    def __init__(self) -> None:
        self._sizes: Counter[int] = Counter()
        self._last: dict[int, bytes] = {}
        self._changed: dict[int, NDArray[np.bool_]] = {}

    def take(self, payload: bytes) -> None:
        """One more; it is compared with the last one of its size."""
        size = len(payload)
        self._sizes[size] += 1
        if size not in self._last:
            if len(self._last) == _COMPARED:
                return
            self._changed[size] = np.zeros(min(size, _LONGEST), bool)
        elif payload != self._last[size]:
            count = len(self._changed[size])
            both = payload[:count] + self._last[size][:count]
            new, old = np.frombuffer(both, np.uint8).reshape(2, count)
            self._changed[size] |= new != old
        self._last[size] = payload

    def as_dict(self) -> dict[str, Any]:
        """The same as strict JSON.

        `sizes` are told with how often they came, the commonest first.  All else is of
        the commonest that were compared: `parts` are ranges of octets that change, or
        do not; the `value` is that of a range that does not and holds one throughout.
        """
        size = max(self._last, key=lambda size: self._sizes[size])
        payload, changed = self._last[size], self._changed[size]
        parts = _parts(payload[: len(changed)], changed.tolist())
        return {
            "sizes": self._sizes.most_common(_SIZES),
            "other_sizes": max(0, len(self._sizes) - _SIZES),
            "octets": size,
            "compared": self._sizes[size],
            "changing": int(changed.sum()),
            "parts": parts[:_RANGES],
            "other_parts": max(0, len(parts) - _RANGES),
            "last": payload[:KEPT_OCTETS].hex().upper(),
        }


def _parts(payload: bytes, changed: list[bool]) -> list[dict[str, Any]]:
    """Ranges of octets that change, and of those that do not."""
    parts = []
    for moves, places in groupby(range(len(payload)), key=changed.__getitem__):
        inside = list(places)
        values = set(payload[inside[0] : inside[-1] + 1])
        value = values.pop() if not moves and len(values) == 1 else None
        parts.append(
            {"from": inside[0], "to": inside[-1], "changes": moves, "value": value}
        )
    return parts
