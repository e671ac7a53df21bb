"""Rules about addresses: they fit, and each packet has the receivers it should have.

Where one packet carries the octets of all nodes there is no address field: a node's
address is where in the payload its octets begin.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.profile.model import AddressField
from bench.profile.rules.packet import FIELDS, index_of, payload_field, payload_range
from bench.profile.rules.rule import Broken, broken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile.model import Profile
    from bench.profile.schema import Path

FOREIGN: Path = ("traffic", "foreign")


def _field(profile: Profile) -> tuple[Path, AddressField] | None:
    """The address field and its path."""
    index = index_of(profile.packet, "address")
    if index is None:
        return None
    field = profile.packet.fields[index]
    assert isinstance(field, AddressField)
    return (*FIELDS, index), field


def _mask(field: AddressField) -> int:
    """The bits of an address that a node compares."""
    return int(256**field.size - 1) if field.mask is None else field.mask


def _too_wide(
    found: tuple[Path, AddressField], path: Path, value: int
) -> Iterator[Broken]:
    """A number that must fit the address field."""
    at, field = found
    most = 256**field.size - 1
    if value > most:
        limit = (f"at most {most}, the size of ", at)
        yield broken(path, "too big for the address field", value, *limit)


def mask_fits(profile: Profile) -> Iterator[Broken]:
    """The mask has no more bits than the address."""
    if (found := _field(profile)) and found[1].mask is not None:
        yield from _too_wide(found, (*found[0], "mask"), found[1].mask)


def broadcast_fits(profile: Profile) -> Iterator[Broken]:
    """Broadcast addresses fit the field."""
    if found := _field(profile):
        for index, address in enumerate(found[1].broadcast):
            yield from _too_wide(found, (*found[0], "broadcast", index), address)


def foreign_fits(profile: Profile) -> Iterator[Broken]:
    """Foreign addresses fit the field."""
    if found := _field(profile):
        for index, address in enumerate(profile.traffic.foreign.addresses):
            yield from _too_wide(found, (*FOREIGN, "addresses", index), address)


def node_fits(profile: Profile, node: int) -> Iterator[Broken]:
    """A node's address fits the field."""
    if found := _field(profile):
        address = profile.node[node].address
        yield from _too_wide(found, ("node", node, "address"), address)


def node_alone(profile: Profile, node: int) -> Iterator[Broken]:
    """No two nodes answer to the same address."""
    found = _field(profile)
    mask = _mask(found[1]) if found else 0
    address = profile.node[node].address
    for other in range(node):
        taken = profile.node[other].address
        if found and taken & mask == address & mask:
            under = "" if taken == address else f" under the mask 0x{mask:X}"
            expected = (f"another{under} than ", ("node", other, "address"))
            path = ("node", node, "address")
            yield broken(path, "address of two nodes", address, *expected)


def node_not_broadcast(profile: Profile, node: int) -> Iterator[Broken]:
    """A node's own address is not one that all answer to."""
    if not (found := _field(profile)):
        return
    address, mask = profile.node[node].address, _mask(found[1])
    for index, common in enumerate(found[1].broadcast):
        if common & mask == address & mask:
            under = "" if common == address else f", under the mask 0x{mask:X},"
            expected = (f"another{under} than ", (*found[0], "broadcast", index))
            path = ("node", node, "address")
            yield broken(path, "address of a node is a broadcast", address, *expected)


def foreign_is_foreign(profile: Profile) -> Iterator[Broken]:
    """Foreign addresses are neither a node's nor a broadcast."""
    if not (found := _field(profile)):
        return
    at, field = found
    mask = _mask(field)
    nodes = [node.address & mask for node in profile.node]
    for index, address in enumerate(profile.traffic.foreign.addresses):
        path = (*FOREIGN, "addresses", index)
        what = "foreign address is not foreign"
        if address & mask in nodes:
            owner = ("node", nodes.index(address & mask), "address")
            yield broken(path, what, address, "none that matches ", owner)
        elif address in field.broadcast:
            yield broken(path, what, address, "none of ", (*at, "broadcast"))


def foreign_possible(profile: Profile) -> Iterator[Broken]:
    """Where foreign packets are wanted, there are addresses for them."""
    foreign, found = profile.traffic.foreign, _field(profile)
    if not foreign.share:
        return
    if not found:
        expected = ("0 %, since nothing says whom a packet is for at ", FIELDS)
        yield broken((*FOREIGN, "share"), "no foreign packets", "", *expected)
    elif not foreign.addresses:
        mask = _mask(found[1])
        matched = {node.address & mask for node in profile.node}
        if len(matched) == 2 ** mask.bit_count():
            expected = ("an address that no node matches, by the mask of ", found[0])
            yield broken((*FOREIGN, "share"), "no foreign packets", "", *expected)


def nodes_told_apart(profile: Profile) -> Iterator[Broken]:
    """Several nodes need addresses: without, each would show the packets of all."""
    if len(profile.node) > 1 and not _field(profile) and not _shared(profile):
        expected = ("an address field for the nodes of ", ("node",))
        yield broken(FIELDS, "every node takes every packet", "", *expected)


def broadcast_possible(profile: Profile) -> Iterator[Broken]:
    """Where broadcasts are sent, there is an address for them."""
    found = _field(profile)
    if profile.traffic.broadcast_every and not (found and found[1].broadcast):
        expected = ("0, or a broadcast address at ", found[0] if found else FIELDS)
        path = ("traffic", "broadcast_every")
        yield broken(path, "no broadcast", profile.traffic.broadcast_every, *expected)


def sync_sent(profile: Profile, node: int) -> Iterator[Broken]:
    """A node that shows on a sync packet is sent some."""
    show = profile.node[node].processor.show
    if show == "sync" and not profile.traffic.broadcast_every:
        expected = ("packet, or broadcasts from ", ("traffic", "broadcast_every"))
        path = ("node", node, "processor", "show")
        yield broken(path, "nothing to show on", show, *expected)


# --- one packet for all nodes ---------------------------------------------------------


def _shared(profile: Profile) -> tuple[Path, int] | None:
    """The path of a shared payload, and its most octets."""
    found = payload_field(profile.packet)
    if found is None or not found[1].shared:
        return None
    return found[0], payload_range(found[1])[1]


def shared_not_addressed(profile: Profile) -> Iterator[Broken]:
    """A packet that carries the octets of all nodes is addressed to none of them."""
    shared, address = _shared(profile), _field(profile)
    if shared and address:
        expected = ("none, for the shared payload at ", shared[0])
        yield broken(address[0], "address of a packet for all", "", *expected)


def _window(profile: Profile, node: int) -> tuple[int, int]:
    """First and last octet of a node in a shared payload, counted from 1."""
    first = profile.node[node].address
    return first, first + profile.node[node].output.payload_octets - 1


def window_inside(profile: Profile, node: int) -> Iterator[Broken]:
    """What a node takes of a shared payload lies in it."""
    if not (shared := _shared(profile)):
        return
    path, most = shared
    first, last = _window(profile, node)
    at = ("node", node, "address")
    if first < 1 or last > most:
        text = f"octets {first} to {last}"
        yield broken(at, "not in the payload", text, f"1 to {most}, as ", path)


def windows_apart(profile: Profile, node: int) -> Iterator[Broken]:
    """No octet of a shared payload is for two nodes."""
    if not _shared(profile):
        return
    first, last = _window(profile, node)
    for other in range(node):
        taken, until = _window(profile, other)
        if first <= until and taken <= last:
            at, text = ("node", node, "address"), f"{first} to {last}"
            limit = (f"none of {taken} to {until}, as ", ("node", other, "address"))
            yield broken(at, "octets of two nodes", text, *limit)


RULES = (
    mask_fits,
    broadcast_fits,
    foreign_fits,
    foreign_is_foreign,
    foreign_possible,
    nodes_told_apart,
    broadcast_possible,
    shared_not_addressed,
)
NODE_RULES = (
    node_fits,
    node_alone,
    node_not_broadcast,
    sync_sent,
    window_inside,
    windows_apart,
)
