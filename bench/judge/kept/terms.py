"""What the judge takes from a profile."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.judge.match import Window
from bench.wire.format import Delimiter
from bench.wire.packets import read
from bench.wire.stuffing import StuffingError, unstuff

if TYPE_CHECKING:
    from bench.judge.kept.history import Unwrap
    from bench.link.observes import Observes
    from bench.profile.model import Node, Output, Profile
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


def _burst_ns(output: Output) -> int:
    """From a burst's first clock to its being shown."""
    in_turn = output.lanes if output.method == "port" else 1
    clocks = output.burst_clocks * in_turn
    return int(NS_PER_S * clocks / output.clock_hz) + output.latch_gap_ns


def window_of(profile: Profile, observes: Observes) -> Window:
    """How far back matching looks for the nodes of a profile."""
    nodes = profile.node
    frames_ns = int(_MEMORY_FRAMES * NS_PER_S / profile.traffic.frame_rate_hz)
    burst_ns = max(_burst_ns(node.output) for node in nodes)
    latency_ns = profile.accept.latency_ns or 0
    return Window(
        packets=max(_WINDOW, *(4 * held(node) for node in nodes)),
        memory_ns=max(_MEMORY_NS, frames_ns, 4 * latency_ns, 4 * burst_ns),
        hold_ns=_HOLD_NS + 4 * burst_ns,
        causal=observes.times,
        by_content=observes.data,
    )


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
