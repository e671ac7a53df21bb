"""A small board and its line, for cases that are worked out by hand.

At 1 Mbaud a character takes 10 us and is complete 9.5 us after its start.  A packet is
a marker, an address and one octet for each lane, so of one that begins at 0 the last of
three characters is complete at 29,500.  An interrupt takes 1,000 in, 500 a character
and 1,000 out: the packet is received at 30,500, the interrupt over at 32,000,
rearranging at 34,000, and the burst begins there.  A bit takes 10 us.
"""

from __future__ import annotations

from dataclasses import replace

from twins.node_twin import Character, NodeTwin

from bench.base.grid import Grid
from bench.node.spec import NO_LIMIT, CostSpec, NodeSpec, OutputSpec, UartSpec
from bench.wire.format import Delimiter, Delimiting, Format, Layout, Number, Unstuffing

CHARACTER_NS = 10_000
GAP_NS = 30_000  # of the latch, and kept
UART = UartSpec(8, 1, "level", None, False, False, "drop", 9_500, CHARACTER_NS)
COST = CostSpec(1_000, 1_000, NO_LIMIT, 500, 0, 2_000, 0, 2, 2, False)
OUTPUT = OutputSpec(
    1, 1, 1, True, 8, 100_000, 500, "count", 0, 0, 0, 0, GAP_NS, GAP_NS, lane_hz=100_000
)


def marked(octets, *, by_mark=False, address=True):
    """A format of a head, one octet of address, and so many octets of payload."""
    kind = Delimiter.NINTH if by_mark else Delimiter.MARKER
    head = 0 if by_mark else 1
    delimiting = Delimiting(kind, b"" if by_mark else b"\xa5")
    where = Number(head, 1, "big") if address else None
    size = head + address
    layout = Layout(size, 0, *[octets] * 2, (), where, 0xFF, (9,), None, None, 0, None)
    return Format(delimiting, Unstuffing(), layout)


def board(*, uart=None, cost=None, output=None, **node):
    """The board, but for what is named."""
    out = replace(OUTPUT, **(output or {}))
    bits = 10 if out.signal == "uart" else 8
    out = replace(out, clocks=bits * out.lane_octets)
    spec = NodeSpec(
        0,
        3,
        Grid.of_rate(1_000_000, 10),
        marked(out.lanes * out.lane_octets),
        "forward",
        replace(UART, **(uart or {})),
        replace(COST, **(cost or {})),
        out,
    )
    return replace(spec, **node)


def line(*runs, pitch_ns=CHARACTER_NS):
    """Characters back to back from each instant on; (octet, flaw) for flawed ones."""
    characters = []
    for start_ns, octets in runs:
        for k, said in enumerate(octets):
            octet, flaw = said if isinstance(said, tuple) else (said, 0)
            place, ns = len(characters), start_ns + k * pitch_ns
            characters.append(Character(place, ns, octet, flaw))
    return characters


def play(spec, *runs, until_ns=1_000_000, pitch_ns=CHARACTER_NS, **ways):
    """What the twin makes of it."""
    return NodeTwin(spec, line(*runs, pitch_ns=pitch_ns), until_ns, **ways).run()


def packet(*payload, to=3):
    """A packet on the line."""
    return [0xA5, to, *payload]
