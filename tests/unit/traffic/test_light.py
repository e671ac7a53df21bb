"""The light guard: brightness, current, limits, and dimming that keeps its word."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.base.columns import SENT, Sent, To
from bench.base.errors import ProfileError
from bench.profile import load_profile
from bench.profile.model import PayloadField
from bench.traffic.light import CAUTIONS, LightGuard

if TYPE_CHECKING:
    from bench.profile.model import Profile

S = 1_000_000_000


def profile(**changes: Any) -> Profile:
    """A causeway of one node of 2 lanes x 3 devices x 4 channels x 8 bits, changed.

    The hypothesis tests build hundreds, so the model is copied and not parsed again.
    """
    base = load_profile("causeway")
    light = {key: changes.pop(key) for key in list(changes) if key in LIGHT}
    channel = {key: changes.pop(key) for key in list(changes) if key in CHANNEL}
    nodes = changes.pop("nodes", 1)
    shape = {"lanes": 2, "devices": 3, "register_bits": 32} | changes
    output = base.node[0].output.model_copy(
        update=shape
        | {
            "channel": base.node[0].output.channel.model_copy(
                update={"bits": 8} | channel
            )
        }
    )
    return base.model_copy(
        update={
            "light": base.light.model_copy(update=light),
            "node": tuple(
                node.model_copy(update={"output": output}) for node in base.node[:nodes]
            ),
        }
    )


LIGHT = {"channel_ma", "cap", "safe_level", "flashes_per_second"}
CHANNEL = {"bits", "inverted", "red"}


@st.composite
def shapes(draw: st.DrawFn) -> dict[str, Any]:
    """Any small geometry, aligned to octets or not."""
    bits = draw(st.integers(1, 32))
    return {
        "lanes": draw(st.integers(1, 3)),
        "devices": draw(st.integers(1, 3)),
        "register_bits": bits * draw(st.integers(1, 4)) + draw(st.integers(0, 5)),
        "header_bits": draw(st.integers(0, 17)),
        "bit_order": draw(st.sampled_from(["msb-first", "lsb-first"])),
        "bits": bits,
        "inverted": draw(st.booleans()),
        "cap": draw(st.floats(0, 1)),
    }


def plain_bits(octets: bytes, shape: Any) -> list[str]:
    """The bits of each lane in shift order, as text."""
    size = len(octets) // shape["lanes"]
    step = 1 if shape["bit_order"] == "msb-first" else -1
    return [
        "".join(f"{octet:08b}"[::step] for octet in octets[n * size : (n + 1) * size])
        for n in range(shape["lanes"])
    ]


def plain_light(octets: bytes, shape: Any) -> list[int]:
    """The light of every channel, read from the bits one by one."""
    bits, register = shape["bits"], shape["register_bits"]
    light = []
    for lane in plain_bits(octets, shape):
        for device in range(shape["devices"]):
            start = shape["header_bits"] + device * register
            for channel in range(register // bits):
                at = start + channel * bits
                value = int(lane[at : at + bits], 2)
                light.append(2**bits - 1 - value if shape["inverted"] else value)
    return light


def other_bits(octets: bytes, shape: Any) -> list[str]:
    """Every bit that belongs to no channel: header, ends of registers, filler."""
    bits, register = shape["bits"], shape["register_bits"]
    used = register // bits * bits
    rest = []
    for lane in plain_bits(octets, shape):
        rest.append(lane[: shape["header_bits"]])
        for device in range(shape["devices"]):
            start = shape["header_bits"] + device * register
            rest.append(lane[start + used : start + register])
        rest.append(lane[shape["header_bits"] + shape["devices"] * register :])
    return rest


@settings(deadline=None)
@given(shapes(), st.data())
def test_channels_are_read_and_dimmed_as_stated(
    shape: dict[str, Any], data: st.DataObject
) -> None:
    """Measured and dimmed light is that of the definition, for any geometry.

    Never above the cap; what is under it stays; the order of a packet's channels, the
    header and the filler stay; and every channel is the stated fraction rounded down.
    """
    guard = LightGuard(profile(**shape))
    size = shape["lanes"] * -(
        -(shape["header_bits"] + shape["devices"] * shape["register_bits"]) // 8
    )
    packets = data.draw(st.lists(st.binary(min_size=size, max_size=size), max_size=4))
    payloads = np.frombuffer(b"".join(packets), np.uint8).reshape(len(packets), size)
    times = np.arange(len(packets), dtype=np.int64)
    before = [plain_light(packet, shape) for packet in packets]
    full = 2 ** shape["bits"] - 1

    figures = guard.measure([payloads], [times])
    means = [sum(light) / (len(light) * full) for light in before]
    assert figures.nodes[0].brightness == max([0.0, *means])
    assert figures.nodes[0].packets == figures.field.packets == len(packets)

    (dimmed,) = guard.dim([payloads])
    assert guard.measure([dimmed], [times]).nodes[0].brightness <= shape["cap"]
    for packet, octets, light in zip(packets, dimmed, before, strict=True):
        after = plain_light(octets.tobytes(), shape)
        most = int(Fraction(shape["cap"]) * len(light) * full)
        assert other_bits(octets.tobytes(), shape) == other_bits(packet, shape)
        if sum(light) <= most:
            assert octets.tobytes() == packet
        else:
            assert after == [value * most // sum(light) for value in light]
        ordered = [a for _, a in sorted(zip(light, after, strict=True))]
        assert ordered == sorted(ordered)


def test_dimmed_by_hand() -> None:
    """Three channels at 255, 100 and 1 of four under a cap of 20 % of 4 x 255."""
    shape = {"lanes": 1, "devices": 1, "cap": 0.2}
    (dimmed,) = LightGuard(profile(**shape)).dim([octets(255, 100, 1, 0)])
    # 204 / 356 of each: 146.1, 57.3, 0.57
    assert dimmed.tolist() == [[146, 57, 0, 0]]
    inverted = LightGuard(profile(**shape, inverted=True))
    (dimmed,) = inverted.dim([octets(0, 155, 254, 255)])
    assert dimmed.tolist() == [[109, 198, 255, 255]]


def test_dimming_wide_channels() -> None:
    """Products that leave a 64-bit integer are right, too."""
    shape = {"lanes": 8, "devices": 64, "register_bits": 128, "bits": 32}
    guard = LightGuard(profile(**shape, cap=0.999))
    full = np.full((1, 8 * 64 * 16), 255, np.uint8)
    (dimmed,) = guard.dim([full])
    most = int(Fraction(0.999) * 2048 * (2**32 - 1))
    assert (dimmed.view(">u4") == (2**32 - 1) * most // (2048 * (2**32 - 1))).all()


def octets(*values: int) -> np.ndarray[Any, Any]:
    """One packet."""
    return np.array([values], np.uint8)


def test_many_packets() -> None:
    """Packets are independent of each other, however many are looked at together."""
    guard = LightGuard(profile())
    payloads = np.random.default_rng(5).integers(0, 256, (300, 24), np.uint8)
    payloads[::7] //= 8
    (dimmed,) = guard.dim([payloads])
    alone = [guard.dim([payloads[n : n + 1]])[0][0] for n in range(300)]
    assert (dimmed == np.array(alone)).all()
    assert (dimmed[::7] == payloads[::7]).all()
    assert (dimmed[1] != payloads[1]).any()


@pytest.mark.parametrize(
    ("value", "amps"),
    [
        (65535, 10.2),
        (12071, 1.8787),  # round(65535 Y) at L* = 50, Y = 0.184187 (CIE 15)
        (14386, 2.2391),  # code 128 of 255 at a gamma of 2.2: 0.219520
        (0, 0.0),
    ],
)
def test_current(value: int, amps: float) -> None:
    """510 channels of 20 mA draw 10.2 A at full, and their duty of it below.

    Sum of duty times current; the published worked figures: 10.2 A, 1.8787 A, 2.2391 A.
    """
    shape = {"lanes": 1, "devices": 170, "register_bits": 48, "bits": 16}
    guard = LightGuard(profile(**shape, channel_ma=20.0))
    payload = np.frombuffer(value.to_bytes(2, "big") * 510, np.uint8)[None]
    lit = guard.measure([payload], [np.array([0])]).field
    assert lit.current_ma == pytest.approx(1000 * amps, abs=0.2)
    assert lit.brightness == value / 65535


def test_not_stated_is_not_zero() -> None:
    """Without a channel's current or colour there is no figure for them."""
    lit = LightGuard(profile(channel_ma=0.0)).measure([no_packets()], [np.array([])])
    assert (lit.field.current_ma, lit.field.red, lit.field.red_flashes) == (None,) * 3


def no_packets() -> np.ndarray[Any, Any]:
    """No packet for the small node."""
    return np.empty((0, 24), np.uint8)


def test_inverted_output_is_bright_at_zero() -> None:
    """With inverted outputs a payload of zeros is full light, and is refused so."""
    zeros = np.zeros((1, 24), np.uint8)
    for inverted, share in ((False, 0.0), (True, 1.0)):
        guard = LightGuard(profile(inverted=inverted, channel_ma=5.0))
        figures = guard.measure([zeros], [np.array([0])])
        assert figures.nodes[0].brightness == share
        assert figures.nodes[0].current_ma == 24 * 5.0 * share
        assert bool(guard.faults(figures)) is inverted
        (dimmed,) = guard.dim([zeros])
        assert (dimmed == (204 if inverted else 0)).all()


def test_safe_level_until_the_first_packet() -> None:
    """A node that is sent nothing stays at the safe level; the first packet counts."""
    guard = LightGuard(profile(safe_level=0.15, red=(0,)))
    lit = guard.measure([no_packets()], [np.array([], np.int64)]).nodes[0]
    assert (lit.brightness, lit.flashes, lit.packets) == (0.15, 0, 0)
    assert lit.red == pytest.approx(0.15)
    dark = np.zeros((1, 24), np.uint8)
    assert guard.measure([dark], [np.array([0])]).nodes[0].flashes == 1


def blink(frames: int, values: tuple[int, int]) -> np.ndarray[Any, Any]:
    """Packets all of one value, in turn."""
    rows = np.array(values, np.uint8)[np.arange(frames) % 2]
    return np.repeat(rows[:, None], 24, axis=1)


def test_field_and_nodes_are_counted_apart() -> None:
    """Two nodes in turn: each flashes, the field as a whole does not."""
    guard = LightGuard(profile(nodes=2, cap=1.0))
    times = S // 20 * np.arange(40, dtype=np.int64)
    figures = guard.measure([blink(40, (255, 0)), blink(40, (0, 255))], [times, times])
    assert figures.field.brightness == 0.5
    assert figures.field.flashes == 1  # it came on
    assert [lit.flashes for lit in figures.nodes] == [11, 11]
    (fault,) = guard.faults(figures)
    assert str(fault) == "light flashes" + often(11, "slack-water")


def often(count: int, name: str) -> str:
    """The end of a fault that says too many flashes."""
    return (
        f" too often: {count} times in one second at {name}, expected at most 3 @ "
        "light.flashes_per_second (--allow-flashing allows it)"
    )


def test_a_frame_that_rolls_over_the_nodes_is_one_change() -> None:
    """Nodes that follow each other within a frame make one rise, not one each."""
    guard = LightGuard(profile(nodes=4))
    times = [S // 4 * np.arange(8) + node * S // 100 for node in range(4)]
    figures = guard.measure([blink(8, (255, 0))] * 4, times)
    assert figures.field.flashes == figures.nodes[0].flashes == 3


def test_faults_name_the_worst_and_its_flag() -> None:
    """Every limit that is passed is named once, with the flag that allows it."""
    guard = LightGuard(profile(nodes=2, red=(0,)))
    times = S // 10 * np.arange(20, dtype=np.int64)
    red = blink(20, (255, 0)) * np.tile(np.array([1, 0, 0, 0], np.uint8), 6)
    figures = guard.measure([blink(20, (100, 100)), red], [times, times])
    bright, general, saturated = map(str, guard.faults(figures))
    assert bright == (
        "light too bright: 39.2% of full at slack-water, expected at most 20.0% @ "
        "light.cap (--allow-bright allows it)"
    )
    assert general == "light flashes" + often(6, "the whole field")
    assert saturated == "saturated red flashes" + often(6, "ebb")
    assert figures.nodes[1].red == 1.0
    assert figures.nodes[1].brightness == 0.25


def test_within_limits() -> None:
    """A dim, steady pattern passes."""
    guard = LightGuard(profile(red=(0,)))
    times = S // 20 * np.arange(40, dtype=np.int64)
    payloads = np.random.default_rng(3).integers(0, 80, (40, 24), np.uint8)
    figures = guard.measure([payloads], [times])
    assert guard.faults(figures) == []


def test_by_node() -> None:
    """Rows of a schedule go to the nodes that will show them, broadcast to all."""
    guard = LightGuard(profile(nodes=2))
    rows = np.zeros(5, SENT)
    rows["to"] = [0, 1, To.FOREIGN, To.EVERY_NODE, 0]
    rows["payload_at"] = [0, 24, -1, 48, 72]
    rows["payload_octets"] = [24, 24, 24, 24, 10]  # the last does not fill the lanes
    rows["last_bit_ns"] = [10, 20, 30, 40, 50]
    payload = np.arange(82, dtype=np.uint8)
    payloads, times = guard.by_node(Sent(rows, payload))
    assert [octets[:, 0].tolist() for octets in payloads] == [[0, 48], [24, 48]]
    assert [octets.shape for octets in payloads] == [(2, 24), (2, 24)]
    assert [at.tolist() for at in times] == [[10, 40], [20, 40]]


def test_by_node_of_a_shared_payload() -> None:
    """Every node has its octets of every packet, from its address on."""
    alone = profile(nodes=2)
    fields = (PayloadField(kind="payload", most=60, shared=True),)
    packet = alone.packet.model_copy(update={"fields": fields})
    nodes = tuple(
        node.model_copy(update={"address": address})
        for node, address in zip(alone.node, (31, 3), strict=True)
    )
    shared = alone.model_copy(update={"packet": packet, "node": nodes})
    rows = np.zeros(3, SENT)
    rows["to"] = To.EVERY_NODE
    rows["payload_at"] = [0, 60, 120]
    rows["payload_octets"] = [60, 60, 50]  # the last does not reach the first node's
    rows["last_bit_ns"] = [10, 20, 30]
    payload = np.arange(170, dtype=np.uint8)
    payloads, times = LightGuard(shared).by_node(Sent(rows, payload))
    assert [octets[:, 0].tolist() for octets in payloads] == [[30, 90], [2, 62, 122]]
    assert [octets[0, -1] for octets in payloads] == [53, 25]
    assert [at.tolist() for at in times] == [[10, 20], [10, 20, 30]]


def test_by_node_of_a_sync() -> None:
    """What no node is to show lights nothing, whatever its size."""
    rows = np.zeros(1, SENT)
    rows["to"], rows["payload_at"], rows["payload_octets"] = To.EVERY_NODE, -1, 24
    payloads, _ = LightGuard(profile()).by_node(Sent(rows, np.zeros(0, np.uint8)))
    assert payloads[0].shape == (0, 24)


def test_times_must_fit() -> None:
    """Packets without times, or times that go back, are refused."""
    guard = LightGuard(profile())
    for times in ([0], [5, 4]):
        with pytest.raises(ValueError, match="ascending"):
            guard.measure([np.zeros((2, 24), np.uint8)], [np.array(times)])


def test_register_without_a_channel() -> None:
    """A register too short for one channel cannot be guarded, and says so."""
    with pytest.raises(ProfileError, match="channel wider than its register: 8, exp"):
        LightGuard(profile(register_bits=4))


def test_red_channel_outside_the_device() -> None:
    """A red channel that is not there is refused: it would go unguarded."""
    with pytest.raises(ProfileError, match="no such channel: 4, expected 0 to 3"):
        LightGuard(profile(red=(3, 4)))


def test_cautions() -> None:
    """Every caution is there, each with the words that it must not lose."""
    for about, words in {
        "flashes": ["WCAG", "screens", "proves nothing about a bare light"],
        "people": ["nobody photosensitive", "looking into emitters"],
        "load": ["dummy load", "limit the current"],
        "public": ["never tested with the public present", "fused supply"],
        "wiring": ["local codes", "licensed electrician"],
    }.items():
        assert all(word in CAUTIONS[about] for word in words)
    assert len(CAUTIONS) == 5
