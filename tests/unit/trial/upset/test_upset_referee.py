"""The referee: what is sound in what was heard, and what was lost by chance."""

from __future__ import annotations

import numpy as np
import pytest
from unit.traffic.profiles import shared, small

from bench.base.columns import FLAW, RUN, Flaw, Line
from bench.node.spec import node_specs
from bench.trial.upset.referee import found_in
from bench.wire.format import format_of
from bench.wire.packets import build, encode
from bench.wire.waveform import Track

PROFILE = small("marker")
FORM = format_of(PROFILE.packet)
SPEC = node_specs(PROFILE)[0]
CHARACTER_NS = 10_000
FAR = 1 << 60


def packet(address: int, payload: bytes, **more: int) -> bytes:
    """One packet on the line."""
    return encode(FORM, build(FORM, address=address, payload=payload, **more))


def line(octets: bytes, flaws: list[tuple[int, int, int]] = []) -> Track:  # noqa: B006
    """Characters back to back from 0 on."""
    return Track(
        Line(
            np.frombuffer(octets, np.uint8),
            np.zeros(1, RUN),
            np.array(flaws, FLAW),
            0,
            10**9,
        ),
        PROFILE.bus,
    )


def test_what_is_sound_may_be_shown() -> None:
    """By the node that it is for, and once it has begun."""
    payload = bytes(range(16))
    track = line(b"\x00" * 3 + packet(1, payload) + packet(2, payload[::-1]))
    found = found_in(track, 0, FORM, "forward")
    assert found.holds(SPEC, payload, FAR)
    assert not found.holds(SPEC, payload, 3 * CHARACTER_NS)
    assert not found.holds(SPEC, payload[::-1], FAR)


@pytest.mark.parametrize("address", [255])
def test_a_broadcast_is_for_everybody(address: int) -> None:
    """A broadcast address is every node's."""
    found = found_in(line(packet(address, b"x" * 16)), 0, FORM, "forward")
    assert found.holds(SPEC, b"x" * 16, FAR)


def test_what_fails_its_check_may_not() -> None:
    """It is refused, and counted as having come so far."""
    track = line(packet(1, b"y" * 16, check_xor=1))
    found = found_in(track, 0, FORM, "forward")
    assert not found.holds(SPEC, b"y" * 16, FAR)
    assert found.refused(0, FAR) == 1
    assert found.refused(0, 0) == found.refused(10**8, FAR) == 0


def test_a_flaw_spoils_a_packet() -> None:
    """And one before its first heard character is as if it had never been."""
    octets = packet(1, b"z" * 16)
    spoilt = line(octets, [(9, 0, Flaw.FRAMING)])
    assert not found_in(spoilt, 0, FORM, "forward").packets
    assert not found_in(line(octets), 1, FORM, "forward").packets
    twice = line(octets * 2, [(9, 0, Flaw.FRAMING)])
    (found,) = found_in(twice, len(octets), FORM, "forward").packets
    assert found[0] == len(octets) * CHARACTER_NS


def test_a_payload_that_looks_like_a_beginning() -> None:
    """It swallows what comes next, by chance, if it begins late enough."""
    # Begun in the middle of a payload, in which there is a marker and a length of 40.
    rubbish = b"\x00\xa5\x5a\x01\x00\x28" + b"\x11" * 10
    octets = (
        rubbish + packet(1, b"p" * 16) + packet(2, b"q" * 16) + packet(1, b"r" * 16)
    )
    track = line(octets)
    found = found_in(track, 0, FORM, "forward")
    begin_ns = len(rubbish) * CHARACTER_NS
    end_ns = begin_ns + 23 * CHARACTER_NS
    assert found.swallowed(begin_ns, end_ns, 0)
    assert found.swallowed(begin_ns, end_ns, CHARACTER_NS)
    assert not found.swallowed(begin_ns, end_ns, 2 * CHARACTER_NS)  # begins too early
    last_ns = begin_ns + 46 * CHARACTER_NS
    assert not found.swallowed(last_ns, last_ns + 23 * CHARACTER_NS, 0)


def test_a_window_of_a_shared_payload() -> None:
    """A node takes its own octets of a packet for all of them."""
    profile = shared("marker")
    form = format_of(profile.packet)
    specs = node_specs(profile)
    payload = bytes(range(40))
    octets = encode(form, build(form, address=None, payload=payload))
    found = found_in(line(octets), 0, form, "forward")
    assert found.holds(specs[0], payload[:16], FAR)
    assert found.holds(specs[1], payload[20:36], FAR)
    assert not found.holds(specs[1], payload[:16], FAR)


def test_idle_time_counts() -> None:
    """A pause inside a packet makes it bad where the format says so."""
    profile = small("marker", "packet.pause=50 us")
    form = format_of(profile.packet)
    octets = np.frombuffer(packet(1, b"s" * 16), np.uint8)
    for gap_ns, sound in ((50_000, 1), (50_001, 0)):
        runs = np.array([(0, 0, 0), (8, 8 * CHARACTER_NS + gap_ns, 0)], RUN)
        track = Track(Line(octets, runs, np.zeros(0, FLAW), 0, 10**9), profile.bus)
        assert len(found_in(track, 0, form, "forward").packets) == sound
