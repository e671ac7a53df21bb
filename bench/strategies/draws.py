"""The strategies: payloads, good packets, hostile pieces, and traffic of both.

Payloads of a few octets are drawn octet by octet.  Long ones are a shape (one octet
over and over, a ramp) with some octets changed, since drawing thousands of octets
leaves hypothesis nothing to shrink with; either shrinks to zeros.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import strategies as st

from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.node.golden import window
from bench.strategies.pieces import HOSTILE, Ground, hostile_kinds
from bench.strategies.sent import Piece, Traffic, calm_ns
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Literal

    from hypothesis.strategies import DrawFn, SearchStrategy

    from bench.profile import Profile

__all__ = ["good", "hostile", "payloads", "traffic"]

_FEW = 64
"""Octets that are drawn one by one."""

_CHANGES = 12
"""Octets of a long payload that are changed at most."""


def payloads(profile: Profile, node: str | None = None) -> SearchStrategy[bytes]:
    """What a good packet carries: the octets that fill a node's lanes.

    Args:
        profile: The profile.
        node: Its name; the first one unless given.  Of a shared payload: the octets of
            all nodes.

    Raises:
        UsageError: If there is no such node.
    """
    index = 0 if node is None else _index(profile, node)
    return _octets(_size(profile, index))


def good(profile: Profile, node: str | None = None) -> SearchStrategy[Piece]:
    """A good packet: for a node, any unless one is named, or for all of them.

    Raises:
        UsageError: If there is no such node.
    """
    grounds = _grounds(profile, node, every=node is None)

    @st.composite
    def drawn(draw: DrawFn) -> Piece:
        ground = draw(grounds)
        return Piece("good", ground.sent(ground.good))

    return drawn()


def hostile(
    profile: Profile,
    kinds: Sequence[str] | None = None,
    *,
    node: str | None = None,
    line: bool = False,
) -> SearchStrategy[Piece]:
    """What an attacker sends.

    Args:
        profile: The profile.
        kinds: Names of `HOSTILE`; all that fit the profile unless given.
        node: Whom the packets are for that are made worse; any unless named.
        line: Whether pauses, line errors and breaks may be among it; where packets are
            delimited by more than octets there is no other way.

    Raises:
        UsageError: If there is no such node, or a kind does not fit the profile.
    """
    known = hostile_kinds(profile, line=line)
    for kind in kinds or ():
        if kind not in known:
            expected = " or ".join(known)
            fault = Fault("no such hostile kind here", shown(kind), expected, "kinds")
            raise UsageError(fault)
    names = list(dict.fromkeys(kinds)) if kinds else known

    @st.composite
    def drawn(draw: DrawFn) -> Piece:
        name = draw(st.sampled_from(names))
        ground = draw(_grounds(profile, node, every=False))
        return Piece(name, HOSTILE[name].make(ground))

    return drawn()


def traffic(
    profile: Profile,
    *,
    most: int = 6,
    kinds: Sequence[str] | None = None,
    calm: bool = False,
    line: bool = False,
    only: Literal["good", "hostile"] | None = None,
) -> SearchStrategy[Traffic]:
    """Good and hostile pieces one after another.

    Args:
        profile: The profile.
        most: Pieces at most.
        kinds: Of hostile ones; see `hostile`.
        calm: Whether nodes are given a rest after every piece, so that they show all
            that they are to show; else the pieces lie back to back.
        line: See `hostile`.
        only: Whether to leave out hostile pieces, or good ones.

    Raises:
        UsageError: If a kind does not fit the profile.
    """
    parts = []
    if only != "hostile":
        parts.append(good(profile))
    if only != "good":
        parts.append(hostile(profile, kinds, line=line))
    pieces = st.lists(st.one_of(parts), min_size=1, max_size=most)
    rest = calm_ns(profile) if calm else 0

    @st.composite
    def drawn(draw: DrawFn) -> Traffic:
        return Traffic(profile, tuple(draw(pieces)), rest)

    return drawn()


# --- made of --------------------------------------------------------------------------


def _grounds(
    profile: Profile, node: str | None, *, every: bool
) -> SearchStrategy[Ground]:
    """What pieces are made of: somebody's address, a payload, a number."""
    layout = format_of(profile.packet).layout
    nodes = range(len(profile.node)) if node is None else [_index(profile, node)]
    whom = [(index, profile.node[index].address) for index in nodes]
    sizes = {_size(profile, index) for index in nodes}
    if every and len(sizes) == 1:
        whom += [(0, address) for address in layout.broadcast]

    @st.composite
    def drawn(draw: DrawFn) -> Ground:
        index, address = draw(st.sampled_from(whom))
        most = 0 if layout.sequence is None else layout.sequence.most
        return Ground(
            profile,
            None if layout.address is None else address,
            draw(_octets(_size(profile, index))),
            draw(st.integers(0, most)),
            lambda least, most: draw(st.integers(least, most)),
            lambda most: draw(st.binary(min_size=1, max_size=most)),
        )

    return drawn()


def _octets(size: int) -> SearchStrategy[bytes]:
    """So many octets."""
    if size <= _FEW:
        return st.binary(min_size=size, max_size=size)
    shapes = st.one_of(
        st.integers(0, 255).map(lambda octet: bytes([octet]) * size),
        st.integers(0, 255).map(
            lambda first: bytes((first + k) % 256 for k in range(size))
        ),
    )
    changes = st.dictionaries(
        st.integers(0, size - 1), st.integers(0, 255), max_size=_CHANGES
    )
    return st.builds(_changed, shapes, changes)


def _changed(octets: bytes, changes: dict[int, int]) -> bytes:
    """Octets with some of them changed."""
    result = bytearray(octets)
    for at, octet in changes.items():
        result[at] = octet
    return bytes(result)


def _size(profile: Profile, index: int) -> int:
    """Octets of a good packet's payload to a node."""
    layout = format_of(profile.packet).layout
    stops = [int(window(profile, node).stop) for node in profile.node]
    if profile.packet.shared:
        return max(layout.least, *stops)
    return stops[index]


def _index(profile: Profile, name: str) -> int:
    """Place of a node.

    Raises:
        UsageError: If there is none of that name.
    """
    names = [node.name for node in profile.node]
    if name not in names:
        expected = " or ".join(names)
        raise UsageError(Fault("no such node", shown(name), expected, "node"))
    return names.index(name)
