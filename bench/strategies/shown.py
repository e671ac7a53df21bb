"""What nodes show that follow the profile, worked out by the sans-IO decoder.

A node shows every sound packet that is for it and fills its lanes, once and in order.
Where nodes show on a sync, a broadcast packet is the sync, and what they show then is
the newest packet that they hold.  Time does not come into it but for pauses and
silences on the line: the node is one that always keeps up.  What could be told only by
what would come next is not told: a node notices that nothing comes only where a silence
is what ends packets.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.node.golden import window
from bench.strategies.sent import Idle, Run
from bench.wire.decoder import Decoder
from bench.wire.format import Delimiter, format_of
from bench.wire.states import Packet

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from bench.profile import Profile
    from bench.profile.model import Node
    from bench.strategies.sent import Symbol
    from bench.wire.format import Format, Layout

__all__ = ["shown_of"]


def shown_of(profile: Profile, symbols: Sequence[Symbol]) -> Mapping[str, list[bytes]]:
    """What each node shows, by its name."""
    form = format_of(profile.packet)
    policies = {node.processor.resync for node in profile.node}
    packets = {policy: _packets(form, policy, symbols) for policy in policies}
    return {
        node.name: _shown(profile, form, node, packets[node.processor.resync])
        for node in profile.node
    }


def _packets(form: Format, policy: str, symbols: Iterable[Symbol]) -> list[Packet]:
    """The sound packets of a line."""
    decoder, idle_ns = Decoder(form, policy), 0
    for symbol in symbols:
        if isinstance(symbol, Idle):
            idle_ns += symbol.ns
            continue
        if isinstance(symbol, Run) and not symbol.octets:
            continue
        if idle_ns:
            decoder.gap(idle_ns)
            idle_ns = 0
        if isinstance(symbol, Run):
            decoder.octets(symbol.octets)
        else:
            decoder.flaw(symbol.octet, symbol.kind)
    if idle_ns and form.delimiting.kind == Delimiter.SILENCE:
        decoder.gap(idle_ns)
    return [event for event in decoder.events() if isinstance(event, Packet)]


def _shown(
    profile: Profile, form: Format, node: Node, packets: Iterable[Packet]
) -> list[bytes]:
    """What one node shows of them."""
    layout, own = form.layout, window(profile, node)
    held: bytes | None = None
    shown = []
    for packet in packets:
        every = packet.address in layout.broadcast
        if not every and not _is_own(layout, node, packet.address):
            continue
        if node.processor.show == "sync" and every:
            shown += [] if held is None else [held]
            held = None
            continue
        size = len(packet.payload)
        fits = size >= own.stop if profile.packet.shared else size == own.stop
        if not fits:
            continue
        if node.processor.show == "sync":
            held = packet.payload[own]
        else:
            shown.append(packet.payload[own])
    return shown


def _is_own(layout: Layout, node: Node, address: int | None) -> bool:
    """Whether an address is that of a node; where there are none, it is."""
    return address is None or (address ^ node.address) & layout.mask == 0
