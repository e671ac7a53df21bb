"""What the judge takes from a profile."""

from __future__ import annotations

from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.judge.match import Addressee, Window
from bench.traffic.load import windows_of
from bench.wire.format import Delimiter
from bench.wire.packets import read
from bench.wire.stuffing import StuffingError, unstuff

if TYPE_CHECKING:
    from bench.judge.kept.history import Unwrap
    from bench.link.observes import Observes
    from bench.profile.model import Node, Profile
    from bench.wire.format import Format

_MEMORY_NS = NS_PER_S
"""How far back matching looks at least; longer where frames are slow."""

_MEMORY_FRAMES = 16

_HOLD_NS = NS_PER_S // 10
"""From a burst's first bit to its being known of, beside the burst's own time."""

_WINDOW = 64
"""Packets of a node that may wait at least; more where it has more buffers."""


def held(node: Node) -> int:
    """Packets that a node can hold at most."""
    buffers = node.processor.buffers
    return buffers.receive + buffers.port_words


def longest_ns(node: Node) -> int:
    """From the first bit of a burst to its being shown, nothing else in its way."""
    output, interrupt = node.output, node.processor.interrupt
    burst_ns = output.burst_s * NS_PER_S
    around_ns = interrupt.entry_ns + interrupt.exit_ns
    if output.method == "timer":
        answered_ns = output.burst_clocks * (around_ns + interrupt.bit_ns)
        burst_ns = max(burst_ns, Fraction(answered_ns))
    elif output.method == "port" and output.stop == "interrupt":
        burst_ns += output.lanes * (around_ns + output.stop_latency_ns)
    return ceil(burst_ns) + max(output.latch_gap_ns, output.kept_gap_ns or 0)


def hold_ns(profile: Profile, node: Node) -> int:
    """How long a packet may wait for its sync: a frame, since the next takes its place.

    A packet whose sync was missed may still be shown on the one after.
    """
    if node.processor.show != "sync":
        return 0
    return ceil(2 * NS_PER_S / profile.traffic.frame_rate_hz)


def window_of(profile: Profile, observes: Observes) -> Window:
    """How far back matching looks for the nodes of a profile."""
    nodes = profile.node
    frames_ns = int(_MEMORY_FRAMES * NS_PER_S / profile.traffic.frame_rate_hz)
    burst_ns = max(longest_ns(node) for node in nodes)
    held_ns = max(hold_ns(profile, node) for node in nodes)
    latest_ns = held_ns + (profile.accept.latency_ns or 0)
    return Window(
        packets=max(_WINDOW, *(4 * held(node) for node in nodes)),
        memory_ns=max(_MEMORY_NS, frames_ns, 4 * latest_ns, 4 * burst_ns),
        hold_ns=_HOLD_NS + 4 * burst_ns,
        causal=observes.times,
        by_content=observes.data,
    )


def shares_of(profile: Profile) -> tuple[tuple[int, int], ...] | None:
    """Where each node's octets begin in a shared payload, and how many there are."""
    return windows_of(profile) if profile.packet.shared else None


def addressees_of(profile: Profile, observes: Observes) -> list[Addressee]:
    """What matching has to know of each node."""
    shares = shares_of(profile)
    return [
        Addressee(
            None if shares is None else shares[index],
            node.processor.show == "sync",
            node.output.burst_clocks if observes.clocks else 0,
            *_darkness(node, profile),
        )
        for index, node in enumerate(profile.node)
    ]


def _darkness(node: Node, profile: Profile) -> tuple[bytes | None, int]:
    """What a node's lanes hold in darkness, and the least silence before that."""
    after_ns = node.processor.blackout_after_ns
    if node.processor.on_silence != "blackout" or after_ns is None:
        return None, 0
    from bench.profile.channels import dark_payload

    # A packet may be complete before its last stop bit is over.
    return dark_payload(node), after_ns - profile.bus.character.at(1)


def unwrapping(format_: Format) -> Unwrap:
    """How to get at the payload of a packet from its characters."""
    delimiting = format_.delimiting

    def unwrap(characters: bytes) -> bytes | None:
        if delimiting.kind == Delimiter.BREAK:
            characters = characters[1:]
        elif delimiting.kind == Delimiter.OCTET:
            characters = characters.strip(delimiting.octets)
        try:
            return read(format_, unstuff(format_.unstuffing, characters)).payload
        except (StuffingError, ValueError):
            return None

    return unwrap
