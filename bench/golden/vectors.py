"""Golden vectors: whole packets, and what a node has to make of each.

A vector is a packet as it is on the line and unstuffed, where the node's octets lie in
it, and the port words that these make; or none, where a node has to refuse the packet.
Packets are made by `bench.wire`, port words by `bench.node.golden`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.base.columns import Drop
from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.golden.payloads import edge_fillings, random_filling
from bench.link.lines import word_of
from bench.node.golden import has_port_words, lane_levels, port_words, window
from bench.profile.alike import alike
from bench.wire.format import format_of
from bench.wire.packets import build, encode

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any

    from numpy.typing import NDArray

    from bench.golden.payloads import Filling
    from bench.profile import Profile
    from bench.profile.model import Node
    from bench.wire.format import Format, Layout

__all__ = ["RANDOM", "Vector", "Vectors", "vectors_of"]

RANDOM = 4
"""Random payloads unless stated."""

FOREIGN = "foreign"
"""Why a packet of another address is not shown: it was for somebody else."""


@dataclass(frozen=True, slots=True)
class Vector:
    """One packet and what a node has to make of it.

    Attributes:
        name: What tests call it.
        why: What it shows.
        packet: The packet, unstuffed, marker included.
        line: The same on the line, stuffed and delimited; a break or a silence that
            delimits it is no octet.
        at: Where in `packet` the node's octets begin.
        own: The node's octets, lane 0 first; b"" where the packet has not enough.
        refused: Why nothing is to be shown: the word of a `Drop`, or "foreign"; None
            where the packet is to be shown.
        levels: uint8 (lanes, clocks), what the lanes carry; None if refused.
        words: uint8 (clocks, octets of a word), the port words, lowest octet first;
            None if refused, or where there are no port words.
    """

    name: str
    why: str
    packet: bytes
    line: bytes
    at: int
    own: bytes
    refused: str | None
    levels: NDArray[Any] | None
    words: NDArray[Any] | None


@dataclass(frozen=True, slots=True)
class Vectors:
    """The vectors of one node.

    Attributes:
        profile: Whose they are.
        node: Of which node.
        seed: What the random ones depend on.
        rows: The vectors.
    """

    profile: Profile
    node: Node
    seed: int
    rows: tuple[Vector, ...]


def vectors_of(
    profile: Profile, node: str | None = None, *, seed: int = 0, random: int = RANDOM
) -> Vectors:
    """The vectors of a node.

    Args:
        profile: The profile.
        node: Its name; may be left out where all nodes are of one kind.
        seed: What random payloads depend on.
        random: How many payloads are random.

    Raises:
        UsageError: If there is no such node, or it is not told which.
    """
    board = _node(profile, node)
    maker = _Maker(profile, board)
    fillings = [*edge_fillings(board.output, maker.form)]
    fillings += [random_filling(board.output, seed, k) for k in range(random)]
    return Vectors(profile, board, seed, tuple(maker.vectors(fillings)))


def _node(profile: Profile, name: str | None) -> Node:
    """The node of a name.

    Raises:
        UsageError: If there is none, or it is not told which.
    """
    names = [node.name for node in profile.node]
    if name is None:
        if len(alike(profile.node)) == 1:
            return profile.node[0]
        mend = "its nodes are of several kinds"
        fault = Fault("which node?", "", " or ".join(names), "--node", mend)
        raise UsageError(fault)
    if name not in names:
        fault = Fault("no such node", shown(name), " or ".join(names), "--node")
        raise UsageError(fault)
    return profile.node[names.index(name)]


class _Maker:
    """Makes vectors of what payloads hold."""

    def __init__(self, profile: Profile, node: Node) -> None:
        self.form: Format = format_of(profile.packet)
        self._node = node
        self._own = window(profile, node)
        self._shared = profile.packet.shared
        self._number = 0
        layout = self.form.layout
        self._address = None if layout.address is None else node.address
        self._syncs = node.processor.show == "sync"

    def vectors(self, fillings: list[Filling]) -> Iterator[Vector]:
        """All of them: every filling, then what packets alone can have."""
        for filling in fillings:
            yield self._vector(filling.name, filling.why, filling.octets)
        yield from self._addressed(fillings[-1].octets)
        yield from self._sized(fillings[-1].octets)

    def _addressed(self, octets: bytes) -> Iterator[Vector]:
        """Packets for all, for somebody else, and with a wrong check."""
        layout = self.form.layout
        if layout.broadcast and not self._syncs:
            what = f"to all nodes, address {layout.broadcast[0]}"
            address = layout.broadcast[0]
            yield self._vector("broadcast", what, octets, address=address)
        other = _stranger(layout, self._node.address)
        if other is not None:
            what = f"for somebody else, address {other}"
            yield self._vector("foreign", what, octets, address=other, refused=FOREIGN)
        if layout.check is not None and layout.check.field.size:
            refused = word_of(Drop.BAD_CHECK)
            what = "the lowest bit of its check is wrong"
            yield self._vector("bad-check", what, octets, xor=1, refused=refused)

    def _sized(self, octets: bytes) -> Iterator[Vector]:
        """Packets whose payload is longer or shorter than what fills the lanes."""
        layout = self.form.layout
        fills = self._own.stop
        sizes = {
            layout.least: ("shortest", "the shortest payload"),
            fills - 1: ("octet-short", "one octet is missing"),
            fills + 1: ("octet-long", "one octet too many"),
            layout.most: ("longest", "the longest payload"),
        }
        for size, (name, what) in sorted(sizes.items()):
            if size == self._plain or not layout.least <= size <= layout.most:
                continue
            # A shared payload only has to reach as far as the node's octets go.
            shows = self._shared and size >= fills
            refused = None if shows else word_of(Drop.WRONG_SIZE)
            yield self._vector(name, what, octets, size=size, refused=refused)

    @property
    def _plain(self) -> int:
        """Octets of an ordinary payload."""
        stop = int(self._own.stop)
        return max(self.form.layout.least, stop) if self._shared else stop

    def _vector(
        self,
        name: str,
        why: str,
        octets: bytes,
        *,
        address: int | None = None,
        size: int | None = None,
        xor: int = 0,
        refused: str | None = None,
    ) -> Vector:
        """One vector, its packet numbered on from the one before."""
        own, layout = self._own, self.form.layout
        size = self._plain if size is None else size
        payload = bytes(own.start) + octets
        payload = payload[:size].ljust(size, b"\x00")
        packet = build(
            self.form,
            address=self._address if address is None else address,
            payload=payload,
            sequence=self._number,
            check_xor=xor,
        )
        self._number += 1
        output = self._node.output
        mine = payload[own] if size >= own.stop else b""
        levels = words = None
        if refused is None:
            levels = lane_levels(output, mine)
            words = port_words(output, mine) if has_port_words(output) else None
        line, at = encode(self.form, packet), layout.head + own.start
        return Vector(name, why, packet, line, at, mine, refused, levels, words)


def _stranger(layout: Layout, own: int) -> int | None:
    """An address that differs from the node's in one bit, and is nobody's broadcast."""
    if layout.address is None:
        return None
    taken = {address & layout.mask for address in (own, *layout.broadcast)}
    near = (own ^ (1 << bit) for bit in range(8 * layout.address.size))
    return next((one for one in near if one & layout.mask not in taken), None)
