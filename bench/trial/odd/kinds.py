"""Kinds of odd packets: how each is made, and where it would harm by itself.

An odd packet carries what a good one carried a little while ago, so whatever a node
that is wrong about it shows keeps within what the pattern may show.

A sound receiver has to be able to forget an odd packet before the next good one, or it
would be blamed for what the format makes it do.  So a kind is refused where the format
has no means for that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError
from bench.wire.format import Delimiter, format_of
from bench.wire.packets import build, encode

if TYPE_CHECKING:
    from bench.profile.model import Probe, Profile
    from bench.wire.format import Format

KINDS = ("foreign", "bad-check", "unknown-literal", "cut", "noise")
"""What they are called: a sound packet for an address that is nobody's; one for a node
with a bad check; a sound one with a literal that is not the format's; the first octets
of one; a single octet."""

PROBE = "probe"
"""What a profile asks for, and no option: a packet that a node is to answer."""

EVERY = 20
"""Packets to the nodes from one odd packet of a kind to the next, unless stated."""

_UNKNOWN = (0x55, 0xAA)
"""What a literal's first octet is replaced with: the first that it is not."""

_STRANGERS = 8
"""Addresses among which foreign ones are drawn at most, where none are stated."""


@dataclass(frozen=True, slots=True)
class Odd:
    """Odd packets of one kind.

    Attributes:
        kind: One of `KINDS`, or `PROBE`.
        every: One after so many packets to the nodes.
    """

    kind: str
    every: int = EVERY


def odd_of(text: str) -> Odd:
    """What `KIND` or `KIND=N` asks for.

    Raises:
        UsageError: If there is no such kind, or no such number.
    """
    kind, equals, number = text.partition("=")
    where = "--odd"
    if kind not in KINDS:
        raise UsageError(Fault("no such odd packet", kind, " or ".join(KINDS), where))
    if not equals:
        return Odd(kind)
    if not (number.isascii() and number.isdecimal() and 1 <= int(number) <= 1 << 30):
        expected = "a whole number of packets, at least 1"
        raise UsageError(Fault("no such rate", text, expected, where))
    return Odd(kind, int(number))


@dataclass(frozen=True, slots=True)
class Made:
    """One odd packet.

    Attributes:
        octets: Its characters.
        address: Whom it is for; -1 for nobody.
        marked: Whether its first character has its ninth bit set.
    """

    octets: bytes
    address: int
    marked: bool


class Maker:
    """Makes odd packets of a profile.

    Raises:
        UsageError: If the format cannot have one of the kinds.
    """

    def __init__(self, profile: Profile, kinds: tuple[str, ...]) -> None:
        self._format = format_of(profile.packet)
        self._addresses = [node.address for node in profile.node]
        faults = {kind: _refused(self._format, kind) for kind in kinds}
        for kind, fault in faults.items():
            if fault is not None:
                raise UsageError(replace(fault, value=kind, where="--odd"))
        self._unknown = _other_literal(self._format)
        self._strangers = _strangers(profile, self._format)
        self._probe = probe_of(profile)
        if "foreign" in kinds and not self._strangers:
            fault = Fault("no address is nobody's", "foreign", "", "--odd")
            raise UsageError(fault)

    def make(self, kind: str, node: int, payload: bytes, draws: list[int]) -> Made:
        """One odd packet.

        Args:
            kind: One of those that were asked for.
            node: Index of the node that the payload was for.
            payload: What it carries, or would carry.
            draws: Words that decide what is left open.
        """
        form, address = self._format, self._addresses[node]
        marked = form.marks_first
        if kind == PROBE and self._probe is not None:
            form = format_of(self._probe.packet)
            payload = bytes(form.layout.least)
        if kind == "noise":
            return Made(bytes([_noise(form, draws[0])]), -1, marked=False)
        if kind == "foreign":
            address = self._strangers[draws[0] % len(self._strangers)]
        if kind == "unknown-literal":
            form = self._unknown
        told = address if form.layout.address is not None else None
        xor = 1 + draws[1] % 0xFF if kind == "bad-check" else 0
        packet = build(form, address=told, payload=payload, check_xor=xor)
        octets = encode(form, packet)
        if kind == "cut":
            # Two octets at least, or it were noise; and not all of it.
            octets = octets[: 2 + draws[0] % max(1, len(octets) - 3)]
        return Made(octets, address, marked)


def probe_of(profile: Profile) -> Probe | None:
    """The probe that nodes are to answer, if there is one."""
    for node in profile.node:
        if node.observe.by == "reply" and node.observe.reply is not None:
            return node.observe.reply.probe
    return None


def _refused(form: Format, kind: str) -> Fault | None:
    """Why a format cannot have odd packets of a kind; None if it can."""
    framing, layout = form.delimiting, form.layout
    if framing.kind == Delimiter.BREAK:
        return Fault("odd packets need breaks of their own", expected="another framing")
    if kind == "foreign" and layout.address is None:
        return Fault("nobody's packets in a format without addresses")
    if kind == "bad-check" and (layout.check is None or not layout.check.check.size):
        return Fault("a bad check in a format without one")
    if kind == "unknown-literal" and not layout.literals:
        return Fault("an unknown literal in a format without one but the marker")
    alone = (Delimiter.SILENCE, Delimiter.NINTH)
    forgets = framing.kind in alone or framing.leading or framing.pause_ns is not None
    hunts = kind == "noise" and framing.kind == Delimiter.MARKER
    if kind in ("cut", "noise") and not (forgets or hunts):
        mend = "packet.pause says when what was begun is forgotten"
        return Fault("it would spoil the next packet by the format itself", mend=mend)
    return None


def _other_literal(form: Format) -> Format:
    """The same format with a literal that it does not know."""
    if not form.layout.literals:
        return form
    (at, octets), *rest = form.layout.literals
    other = next(octet for octet in _UNKNOWN if octet != octets[0])
    literals = ((at, bytes([other]) + octets[1:]), *rest)
    return replace(form, layout=replace(form.layout, literals=literals))


def _strangers(profile: Profile, form: Format) -> list[int]:
    """Addresses that are nobody's."""
    layout = form.layout
    if layout.address is None:
        return []
    if profile.traffic.foreign.addresses:
        return list(profile.traffic.foreign.addresses)
    known = [*(node.address for node in profile.node), *layout.broadcast]
    taken = {address & layout.mask for address in known}
    most = min(layout.address.most, len(taken) + 0xFFFF)
    free = (one for one in range(1, most + 1) if one & layout.mask not in taken)
    return [address for address, _ in zip(free, range(_STRANGERS), strict=False)]


def _noise(form: Format, draw: int) -> int:
    """A single octet that begins no packet."""
    begins = set(form.delimiting.octets[:1])
    begins.add(form.unstuffing.escape)
    octets = [octet for octet in range(256) if octet not in begins]
    return octets[draw % len(octets)]
