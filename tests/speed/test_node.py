"""How fast the node's kernel is, on one core: run with `-m speed -s`.

The limit that matters is the line: 0.4 M characters a second at 4 Mbaud 8N1.  Beside
each figure stand what it was measured with and how often real time that is.
"""

from __future__ import annotations

from time import perf_counter

import numpy as np
import pytest
from speed.simpy_receiver import SimpyReceiver

from bench.base.columns import FLAW, RUN, Line, no_rows
from bench.node.simulated import SimulatedNode
from bench.node.spec import node_specs
from bench.profile import load_profile
from bench.wire.packets import build, encode

CHUNK = 1 << 19
SHORT = ("output.devices=1", "output.register_bits=16", "output.latch_gap=20 us")
KILO = ("output.devices=8", "output.register_bits=128")
DRAIN = ("processor.interrupt.body=drain", "processor.interrupt.count=")
POLL = (
    "processor.receive=poll",
    "processor.poll.pass=0.5 us",
    "processor.rearrange.per_octet=0 ns",  # not deaf for long, so that nothing is lost
)
RING = ("processor.receive=dma", "processor.dma.octets=64", *DRAIN)
TIMER = (
    "output.method=timer",
    "output.transfer_jitter=0 ns",
    "output.clock=100 kHz",
    "processor.interrupt.entry=1.1 us",
    "processor.interrupt.bit=0.4 us",
    "processor.interrupt.exit=1.1 us",
    "traffic.frame_rate=5 Hz",
)
SLOW = ("processor.interrupt.entry=4 us", "processor.interrupt.exit=4 us")

CASES = {
    "3,848-octet packets": (),
    "3,848-octet packets, drained": DRAIN,
    "3,848-octet packets, polled": POLL,
    "3,848-octet packets, ring of 64": RING,
    "1,032-octet packets": KILO,
    "3,848-octet packets, 3 Mbaud": ("bus.baud=3 Mbaud",),
    "3,848-octet packets, 3,999,971 baud": ("bus.baud=3999971",),
    "24-octet packets": SHORT,
    "24-octet packets, polled": (*SHORT, *POLL),
    "24-octet packets, ring of 64": (*SHORT, *RING),
    "24-octet packets, 3 Mbaud": (*SHORT, "bus.baud=3 Mbaud"),
    "one character an interrupt": (
        "processor.uart.trigger=1",
        "processor.interrupt.body=one",
        "processor.interrupt.count=",
        "processor.interrupt.entry=0.5 us",
        "processor.interrupt.exit=0.5 us",
    ),
    "overrun, 4 % lost": (*SLOW, "processor.interrupt.per_character=0.6 us"),
    "overrun, 20 % lost": (*SLOW, "processor.interrupt.per_character=1.1 us"),
}


def packed_line(spec, characters: int) -> np.ndarray:
    """Packets back to back, every fourth for the node."""
    draw = np.random.default_rng(1)
    octets, count = bytearray(), 0
    while len(octets) < characters:
        address = 1 if count % 4 == 0 else 17 + count % 3
        payload = draw.bytes(spec.payload_octets)
        octets += encode(
            spec.packet, build(spec.packet, address=address, payload=payload)
        )
        count += 1
    return np.frombuffer(bytes(octets), np.uint8)


def played(spec, octets: np.ndarray, shortcuts: bool) -> tuple[float, int]:
    """Seconds to play a line, and characters lost."""
    node = SimulatedNode(spec, shortcuts=shortcuts)
    spent, lost = 0.0, 0
    run = np.zeros(1, RUN)
    for first in range(0, len(octets), CHUNK):
        part = octets[first : first + CHUNK]
        run[0] = (0, *spec.pitch.after(first))
        line = Line(part, run, no_rows(FLAW), first, spec.pitch.at(first + len(part)))
        start = perf_counter()
        lost += len(node.play(line).lost)
        spent += perf_counter() - start
    return spent, lost


@pytest.mark.speed
@pytest.mark.parametrize("name", CASES)
def test_node(name):
    """Best of five, with shortcuts; and once without, for comparison."""
    spec = node_specs(load_profile("causeway", CASES[name]))[0]
    octets = packed_line(spec, 2_000_000)
    played(spec, octets[:20_000], True)
    best, lost = min(played(spec, octets, True) for _ in range(5))
    plain, _ = played(spec, octets[:400_000], False)
    rate = len(octets) / best
    real = rate * spec.pitch.num / spec.pitch.den / 1e9
    own = 0.25
    print(  # noqa: T201
        f"\nnode, {name}: {rate / 1e6:.0f} M characters/s, {real:.0f} x real time, "
        f"{rate / 0.4e6:.0f} x 4 Mbaud (trigger {spec.uart.trigger}, depth "
        f"{spec.uart.fifo}, own share {own:.0%}, lost {lost / len(octets):.1%}); "
        f"without shortcuts {400_000 / plain / 1e6:.0f} M characters/s"
    )
    assert rate > 0


@pytest.mark.speed
@pytest.mark.parametrize("name", ["3,848-octet packets", "overrun, 20 % lost"])
def test_beside_simpy(name):
    """The same receiver on a general-purpose event library, in the same run."""
    spec = node_specs(load_profile("causeway", CASES[name]))[0]
    octets = packed_line(spec, 100_000)[:100_000]
    peer = SimpyReceiver(spec, len(octets))
    start = perf_counter()
    peer.run()
    theirs = perf_counter() - start
    ours, lost = min(played(spec, octets, True) for _ in range(5))
    assert lost == peer.lost
    print(  # noqa: T201
        f"\nbeside simpy, {name}: {len(octets) / ours / 1e6:.0f} against "
        f"{len(octets) / theirs / 1e6:.3f} M characters/s, {theirs / ours:.0f} times"
    )


def bits_played(overrides: tuple[str, ...], packed: bool) -> tuple[float, int, int]:
    """Seconds, output interrupts and characters of a timer's bursts.

    On a packed line, or with one packet in 60 ms and nothing else.
    """
    spec = node_specs(load_profile("causeway", (*TIMER, *overrides)))[0]
    octets = packed_line(spec, 500_000 if packed else 1)
    node, bit_ns = SimulatedNode(spec), spec.cost.entry_ns + spec.cost.exit_ns
    bit_ns += spec.cost.bit_ns
    run, spent, ns = np.zeros(1, RUN), 0.0, 0
    for chunk in range(4 if packed else 40):
        run[0] = (0, ns, 0)
        end_ns = ns + (spec.pitch.at(len(octets)) if packed else 60_000_000)
        line = Line(octets, run, no_rows(FLAW), chunk * len(octets), end_ns)
        start = perf_counter()
        node.play(line)
        spent += perf_counter() - start
        ns = end_ns
    return spent, node.bit_busy_ns // bit_ns, (chunk + 1) * len(octets)


@pytest.mark.speed
@pytest.mark.parametrize(
    ("name", "overrides", "packed"),
    [
        ("one lane, a packet in 60 ms", ("output.lanes=1",), False),
        ("packed line, receive by interrupt", (), True),
        ("packed line, polled", POLL, True),
        ("packed line, ring of 64", RING, True),
    ],
)
def test_output_interrupts(name, overrides, packed):
    """One interrupt a bit, 10 us apart, 2.6 us each: best of five."""
    bits_played(overrides, packed)
    best, bits, characters = min(bits_played(overrides, packed) for _ in range(5))
    print(  # noqa: T201
        f"\ntimer output, {name}: {bits / best / 1e6:.1f} M output interrupts/s, "
        f"{characters / best / 1e6:.1f} M characters/s, "
        f"{bits * 10e-6 / best:.0f} x real time of the bursts"
    )
    assert bits > 0
