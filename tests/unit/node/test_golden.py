"""Golden port words: against plain arithmetic, the kernel, and values by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import port_words_twin as twin

from bench.kernels.node.words import words_of
from bench.node.golden import (
    has_port_words,
    lane_levels,
    port_bits,
    port_words,
    window,
)
from bench.node.prepare import spec_record
from bench.node.spec import node_specs
from bench.profile import load_profile, shipped_profiles
from bench.profile.model import Output


@st.composite
def outputs(draw, *, whole=False):
    """Outputs of port words of any shape; `whole`: such as the simulation takes."""
    lanes = draw(st.integers(1, 20))
    width = draw(st.sampled_from([w for w in (1, 2, 4, 8, 16) if 8 * w >= lanes]))
    uart = draw(st.booleans())
    bits = 8 * draw(st.integers(1, 3)) if whole or uart else draw(st.integers(1, 25))
    places = ()
    if not whole and draw(st.booleans()):
        places = tuple(draw(st.permutations(range(8 * width)))[:lanes])
    return Output(
        method=draw(st.sampled_from(["dma", "timer"])),
        signal="uart" if uart else "clocked",
        lanes=lanes,
        devices=draw(st.integers(1, 3)),
        register_bits=bits,
        header_bits=0 if whole or uart else draw(st.integers(0, 9)),
        word_octets=width,
        port_bits=places,
        bit_order=draw(st.sampled_from(["msb-first", "lsb-first"])),
        clock="100 kHz",
        latch_gap="1 ms",
    )


def numbers(words):
    """Port words as numbers."""
    return [int.from_bytes(word.tobytes(), "little") for word in words]


def plainly(output, payload):
    """The same by the twin."""
    return twin.words(
        payload,
        lanes=output.lanes,
        bits=output.header_bits + output.devices * output.register_bits,
        order=output.bit_order,
        signal=output.signal,
        places=output.port_bits or range(output.lanes),
    )


@given(output=outputs(), data=st.data())
def test_plain_arithmetic_agrees(output, data):
    """Any output, any payload: word for word what the definition says."""
    size = output.payload_octets
    payload = data.draw(st.binary(min_size=size, max_size=size))
    words = port_words(output, payload)
    assert words.shape == (output.burst_clocks, output.word_octets)
    assert numbers(words) == plainly(output, payload)


@given(output=outputs(), data=st.data())
def test_lanes_are_columns_of_the_words(output, data):
    """What a lane carries is its bit of every word; no other bit is ever set."""
    size = output.payload_octets
    payload = data.draw(st.binary(min_size=size, max_size=size))
    words, levels = numbers(port_words(output, payload)), lane_levels(output, payload)
    for lane, bit in enumerate(port_bits(output)):
        assert [word >> bit & 1 for word in words] == levels[lane].tolist()
    mask = sum(1 << bit for bit in port_bits(output))
    assert all(word & ~mask == 0 for word in words)


@given(output=outputs(whole=True), data=st.data())
@settings(max_examples=40, deadline=None)
def test_the_kernel_agrees(output, data):
    """Clocked port words of the simulated node, whose word bits are lanes."""
    output = output.model_copy(update={"signal": "clocked"})
    base = load_profile("causeway")
    node = base.node[0].model_copy(update={"output": output})
    (spec,) = node_specs(base.model_copy(update={"node": (node,)}))
    size = output.payload_octets
    payload = data.draw(st.binary(min_size=size, max_size=size))
    made = np.zeros(output.burst_clocks * output.word_octets, np.uint8)
    words_of(spec_record(spec, 0), np.frombuffer(payload, np.uint8).copy(), made)
    assert made.tobytes() == port_words(output, payload).tobytes()


# --- worked by hand -------------------------------------------------------------------


def test_causeway_by_hand():
    """480 octets a lane; lane k on bit k; high bit first: three payloads by hand."""
    output = load_profile("causeway").node[0].output
    assert (output.lanes, output.lane_octets, output.burst_clocks) == (8, 480, 3840)

    # A5h in the first octet of lane 3 alone: 1010 0101, so words 0 2 5 7 hold bit 3.
    payload = bytearray(3840)
    payload[3 * 480] = 0xA5
    words = numbers(port_words(output, bytes(payload)))
    assert words[:8] == [8, 0, 8, 0, 0, 8, 0, 8]
    assert not any(words[8:])

    # The lowest bit of the last octet of lane 7 goes out last, on bit 7.
    payload = bytearray(3840)
    payload[-1] = 0x01
    words = numbers(port_words(output, bytes(payload)))
    assert words[-1] == 0x80
    assert not any(words[:-1])

    # Octet 1 of lane 0 is 80h, of lane 1 is C0h: word 8 both, word 9 lane 1 alone.
    payload = bytearray(3840)
    payload[1], payload[481] = 0x80, 0xC0
    words = numbers(port_words(output, bytes(payload)))
    assert words[8:11] == [3, 2, 0]

    # The ramp: octet k holds k modulo 256; lanes begin at 480 n, which is modulo 256
    # 0 224 192 160 128 96 64 32 (00 E0 C0 A0 80 60 40 20).  The high bits are set in
    # lanes 1 2 3 4 (1Eh), the next in 1 2 5 6 (66h), the third in 1 3 5 7 (AAh).
    ramp = bytes(k % 256 for k in range(3840))
    words = numbers(port_words(output, ramp))
    assert words[:8] == [0x1E, 0x66, 0xAA, 0, 0, 0, 0, 0]
    # The next octets are one more each, so their lowest bits are set in all lanes.
    assert words[8:16] == [0x1E, 0x66, 0xAA, 0, 0, 0, 0, 0xFF]


def test_jetty_by_hand():
    """UART lanes: ten words an octet, start 0, low bit first, stop 1; ten lanes."""
    output = load_profile("jetty").node[0].output
    assert (output.lanes, output.lane_octets, output.burst_clocks) == (10, 48, 480)
    every = 0x3FF
    words = numbers(port_words(output, bytes(480)))
    assert words == [*([0] * 9 + [every])] * 48
    # 53h in the first octet of lane 9 is 0101 0011: from the low bit 1 1 0 0 1 0 1 0.
    payload = bytearray(480)
    payload[9 * 48] = 0x53
    words = numbers(port_words(output, bytes(payload)))
    bit = 1 << 9
    assert words[:10] == [0, bit, bit, 0, 0, bit, 0, bit, 0, every]


def test_lanes_on_other_port_bits():
    """Three lanes on bits 9, 0 and 4 of a word of two octets, low bit first."""
    output = Output(
        lanes=3,
        devices=1,
        register_bits=4,
        header_bits=1,
        clock="1 MHz",
        latch_gap="1 ms",
        word_octets=2,
        port_bits=(9, 0, 4),
        latch="strobe",
        strobe_bit=15,
        bit_order="lsb-first",
    )
    # One octet a lane, of which five bits are sent: 03h, 10h, FFh.
    words = numbers(port_words(output, bytes.fromhex("03 10 FF")))
    assert words == [0x210, 0x210, 0x010, 0x010, 0x011]


@pytest.mark.parametrize("name", shipped_profiles())
def test_which_outputs_have_port_words(name):
    """Hardware shifters take octets; all others of the shipped boards take words."""
    output = load_profile(name).node[0].output
    assert has_port_words(output) == (name != "slipway")
    if name == "slipway":
        with pytest.raises(ValueError, match="no port words"):
            port_words(output, bytes(output.payload_octets))
        # 80h at the start of lane 1: its first bit, high bit first.
        payload = bytearray(output.payload_octets)
        payload[output.lane_octets] = 0x80
        levels = lane_levels(output, bytes(payload))
        assert levels[1, 0] == 1
        assert levels.sum() == 1


def test_windows():
    """A shared payload is cut where the node's slots are; the first octet is slot 1."""
    profile = load_profile("dmx512")
    assert [window(profile, node) for node in profile.node] == [
        slice(0, 168),
        slice(168, 336),
        slice(344, 512),
    ]
    plain = load_profile("causeway")
    assert window(plain, plain.node[3]) == slice(0, 3840)


def test_payloads_that_do_not_fit_are_refused():
    """One octet too few or too many is an error, not a guess."""
    output = load_profile("causeway").node[0].output
    for size in (3839, 3841, 0):
        with pytest.raises(ValueError, match="do not fill"):
            port_words(output, bytes(size))
