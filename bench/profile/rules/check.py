"""Rules about the length and the check of a packet.

How many octets a named check has is known a floor above, where the names are; whoever
loads a profile hands that in.  Without it the rules that need it keep quiet.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from bench.base.errors import BenchError
from bench.profile.model import (
    CheckField,
    CrcParameters,
    LengthField,
    LiteralField,
    PayloadField,
)
from bench.profile.rules.packet import (
    FIELDS,
    index_of,
    payload_field,
    payload_range,
)
from bench.profile.rules.rule import Broken, broken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile.model import PacketField, Profile
    from bench.profile.schema import Path

CheckOctets = Callable[[str], int]
"""Octets of a named check; raises `BenchError` where the name means none or several."""


def _octets(field: PacketField, check_octets: CheckOctets | None) -> int | None:
    """Octets of a field, the payload left out; None where they are not known."""
    if isinstance(field, LiteralField):
        return len(field.octets)
    if isinstance(field, PayloadField):
        return 0
    if not isinstance(field, CheckField):
        return field.size
    if isinstance(field.algorithm, CrcParameters):
        return -(-field.algorithm.width // 8)
    try:
        return check_octets(field.algorithm) if check_octets else None
    except BenchError:  # `check_named` says so
        return None


def length_fits(profile: Profile, check_octets: CheckOctets | None) -> Iterator[Broken]:
    """The length field holds the length of the longest packet, and of the shortest."""
    fields = profile.packet.fields
    index, payload = index_of(profile.packet, "length"), payload_field(profile.packet)
    if index is None or payload is None:
        return
    field = fields[index]
    assert isinstance(field, LengthField)
    counted = {"payload": (), "after": fields[index + 1 :], "packet": fields}
    octets = [_octets(one, check_octets) for one in counted[field.counts]]
    known = [size for size in octets if size is not None]
    if len(known) < len(octets):
        return
    extra = sum(known) + field.add
    least, most = payload_range(payload[1])
    path, room = (*FIELDS, index), 256**field.size - 1
    if most + extra > room:
        limit = f"at most {room} in {field.size} octets; payload up to {most} at "
        yield broken(path, "length too big", most + extra, limit, payload[0])
    if least + extra < 0:
        limit = f"at least 0; payload from {least} at "
        what = "length below zero"
        yield broken((*path, "add"), what, least + extra, limit, payload[0])


def check_named(profile: Profile, check_octets: CheckOctets | None) -> Iterator[Broken]:
    """The name of a check means one algorithm."""
    for index, field in enumerate(profile.packet.fields):
        if not isinstance(field, CheckField) or not isinstance(field.algorithm, str):
            continue
        try:
            if check_octets:
                check_octets(field.algorithm)
        except BenchError as error:
            fault = error.fault
            path = (*FIELDS, index, "algorithm")
            yield Broken(path, fault.what, fault.value, (fault.expected,), fault.mend)


def crc_fits(profile: Profile) -> Iterator[Broken]:
    """The parameters of a CRC have no more bits than its width."""
    for index, field in enumerate(profile.packet.fields):
        if not isinstance(field, CheckField) or isinstance(field.algorithm, str):
            continue
        crc, path = field.algorithm, (*FIELDS, index, "algorithm")
        for key, value in (
            ("poly", crc.poly),
            ("init", crc.init),
            ("xorout", crc.xorout),
        ):
            if value >= 2**crc.width:
                limit = (f"at most {crc.width} bits, as ", (*path, "width"))
                yield broken((*path, key), "too wide", f"0x{value:X}", *limit)


def check_covers(profile: Profile) -> Iterator[Broken]:
    """A check covers something, and not itself."""
    kinds: list[str] = [field.kind for field in profile.packet.fields]
    for index, field in enumerate(profile.packet.fields):
        if not isinstance(field, CheckField):
            continue
        path: Path = (*FIELDS, index)
        if field.covers is not None:
            yield from _covers(kinds, index, field.covers)
        elif index <= (profile.packet.framing == "marker"):
            yield broken(path, "check of nothing", "", "fields before it, or covers")


def _covers(kinds: list[str], own: int, covers: tuple[str, str]) -> Iterator[Broken]:
    """The fields that a check names."""
    path: Path = (*FIELDS, own, "covers")
    for end, kind in enumerate(covers):
        if kind not in kinds:
            expected = f"the kind of a field: {', '.join(dict.fromkeys(kinds))}"
            yield broken((*path, end), "no such field", kind, expected)
        elif kinds.count(kind) > 1:
            expected = "a kind of which there is one"
            yield broken((*path, end), "several such fields", kind, expected)
    if any(kinds.count(kind) != 1 for kind in covers):
        return
    first, last = (kinds.index(kind) for kind in covers)
    text = " to ".join(covers)
    if first > last:
        yield broken(path, "covers backwards", text, "the first field, then the last")
    elif first <= own <= last:
        expected = "fields before or after "
        yield broken(path, "check covers itself", text, expected, (*FIELDS, own))


RULES = (crc_fits, check_covers)
RULES_WITH_CHECKS = (length_fits, check_named)
