"""Boards to try: the causeway's first node with a few values changed, and its line."""

from __future__ import annotations

import numpy as np

from bench.base.columns import FLAW, RUN, Line, no_rows
from bench.node.simulated import Played, SimulatedNode
from bench.node.spec import NodeSpec, node_specs
from bench.profile import load_profile
from bench.wire.packets import build, encode


def board(*overrides: str) -> NodeSpec:
    """The first node of the causeway, some values set by their dotted paths."""
    return node_specs(load_profile("causeway", overrides))[0]


def packet(spec: NodeSpec, address: int, payload: bytes | None = None) -> bytes:
    """One packet on the line; a payload that fills the lanes unless given."""
    if payload is None:
        payload = bytes(k * 7 % 251 for k in range(spec.payload_octets))
    return encode(spec.packet, build(spec.packet, address=address, payload=payload))


def line_of(spec: NodeSpec, octets: bytes, after_ns: int = 0) -> Line:
    """Octets in one unbroken run from 0 on, and silence for some time after it."""
    run = np.zeros(1 if octets else 0, RUN)
    end_ns = spec.pitch.at(len(octets))
    return Line(
        np.frombuffer(octets, np.uint8), run, no_rows(FLAW), 0, end_ns + after_ns
    )


def play(
    spec: NodeSpec, octets: bytes, after_ns: int = 100_000_000, **options
) -> Played:
    """What one node makes of a run of octets."""
    return SimulatedNode(spec, **options).play(line_of(spec, octets, after_ns))
