"""Rules about addresses: they fit, and each packet has the receivers it should have."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.profile.model import AddressField
from bench.profile.rules.packet import FIELDS, index_of
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
    found = _field(profile)
    address = profile.node[node].address
    if found and address in found[1].broadcast:
        expected = ("none of ", (*found[0], "broadcast"))
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
    if len(profile.node) > 1 and not _field(profile):
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


RULES = (
    mask_fits,
    broadcast_fits,
    foreign_fits,
    foreign_is_foreign,
    foreign_possible,
    nodes_told_apart,
    broadcast_possible,
)
NODE_RULES = (node_fits, node_alone, node_not_broadcast, sync_sent)
