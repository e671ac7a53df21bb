"""The light guard goes by the channel map, whatever the channels of a node are."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import channels_twin as twin
from twins.channel_cases import output_of, outputs

from bench.profile import load_profile
from bench.profile.channels import dark_payload, level_payload
from bench.traffic.light import LightGuard

if TYPE_CHECKING:
    from bench.profile.model import Profile

CAUSEWAY = load_profile("causeway")


def profile_of(output: dict[str, Any], nodes: int = 1, **light: Any) -> Profile:
    """The causeway with other outputs; copied, since hundreds are tried."""
    models = [
        node.model_copy(update={"output": output_of(output)})
        for node in CAUSEWAY.node[:nodes]
    ]
    light = {"node": tuple(models), "light": CAUSEWAY.light.model_copy(update=light)}
    return CAUSEWAY.model_copy(update=light)


def shares(output: dict[str, Any], payload: bytes) -> list[Fraction]:
    """The light of every channel as a share of full."""
    full = [2 ** len(one["places"]) - 1 for one in twin.channels(output)]
    light = twin.light(output, payload)
    return [Fraction(*pair) for pair in zip(light, full, strict=True)]


@settings(deadline=None)
@given(outputs(), st.floats(0, 1), st.data())
def test_any_map_is_measured_and_dimmed(
    output: dict[str, Any], cap: float, data: st.DataObject
) -> None:
    """Brightness is the mean duty; dimmed, every packet is under the cap.

    Each channel keeps the stated fraction of its light, rounded down to its own steps;
    what is under the cap stays, and so do bits of no channel.
    """
    guard = LightGuard(profile_of(output, cap=cap))
    size = output["lanes"] * twin.lane_octets(output)
    packets = data.draw(st.lists(st.binary(min_size=size, max_size=size), max_size=3))
    payloads = np.frombuffer(b"".join(packets), np.uint8).reshape(len(packets), size)
    times = np.arange(len(packets), dtype=np.int64)
    duty = [shares(output, packet) for packet in packets]
    count = max(1, len(twin.channels(output)))
    lit = guard.measure([payloads], [times]).nodes[0]
    assert lit.brightness == max([0.0, *(float(sum(one) / count) for one in duty)])

    (dimmed,) = guard.dim([payloads])
    assert guard.measure([dimmed], [times]).nodes[0].brightness <= cap
    full = [2 ** len(one["places"]) - 1 for one in twin.channels(output)]
    for packet, octets, light in zip(packets, dimmed, duty, strict=True):
        if sum(light) <= Fraction(cap) * count:
            assert bytes(octets) == packet
            continue
        # Whole units of which full light of every channel is a number.
        units = int(np.lcm.reduce(np.array(full, object)))
        most = int(Fraction(cap) * count * units)
        scale = Fraction(most, int(sum(light) * units))
        levels = [int(v * f * scale) for v, f in zip(light, full, strict=True)]
        assert bytes(octets) == twin.payload(output, levels, packet)


@settings(deadline=None)
@given(outputs(), st.data())
def test_red_is_by_the_map(output: dict[str, Any], data: st.DataObject) -> None:
    """The mean over red channels is that of the map's red ones, None without any."""
    guard = LightGuard(profile_of(output, safe_level=0.0))
    size = output["lanes"] * twin.lane_octets(output)
    packet = data.draw(st.binary(min_size=size, max_size=size))
    payload = np.frombuffer(packet, np.uint8)[None]
    lit = guard.measure([payload], [np.array([0])]).nodes[0]
    pairs = zip(twin.channels(output), shares(output, packet), strict=True)
    red = [float(share) for one, share in pairs if one["red"]]
    if not red:
        assert lit.red is None
        assert lit.red_flashes is None
    else:
        assert lit.red is not None
        assert abs(lit.red - sum(red) / len(red)) < 1e-12


TWO_KINDS: dict[str, Any] = {
    "lanes": 2,
    "devices": 1,
    "register_bits": 24,
    "header_bits": 8,
    "bit_order": "msb-first",
    "signal": "clocked",
    "channel": {
        "layout": [
            {"name": "red", "bits": 8, "red": True},
            {"name": "amber", "first": 12, "bits": 12},
        ],
        "lane": [{"lanes": [1], "inverted": True}],
    },
}
"""Two lanes of a header, red in 8 bits, 4 bits of nobody, amber in 12."""


def test_zeros_are_light_where_outputs_are_inverted() -> None:
    """A payload of zeros lights the inverted lane in full, and is refused so."""
    guard = LightGuard(profile_of(TWO_KINDS, channel_ma=5.0, cap=0.2))
    figures = guard.measure([np.zeros((1, 8), np.uint8)], [np.array([0])])
    assert figures.nodes[0].brightness == 0.5
    assert figures.nodes[0].current_ma == 2 * 5.0
    assert figures.nodes[0].red == 0.5
    (fault,) = guard.faults(figures)
    assert fault.what == "light too bright"
    node = profile_of(TWO_KINDS).node[0]
    dark = np.frombuffer(dark_payload(node), np.uint8)[None]
    assert dark.tobytes() == bytes.fromhex("00 00 00 00 00 FF 0F FF")
    assert guard.measure([dark], [np.array([0])]).nodes[0].brightness == 0.0


def test_bits_of_no_channel_make_no_light() -> None:
    """Header and gap all ones: dark, and left as they are by the guard."""
    guard = LightGuard(profile_of(TWO_KINDS, cap=0.0))
    payload = np.frombuffer(bytes.fromhex("FF 00 F0 00 FF FF FF FF"), np.uint8)[None]
    assert guard.measure([payload], [np.array([0])]).field.brightness == 0.0
    (dimmed,) = guard.dim([payload])
    assert (dimmed == payload).all()


def test_channels_of_two_widths_weigh_the_same() -> None:
    """Red alone in full and amber alone in full are a quarter of the light each."""
    guard = LightGuard(profile_of(TWO_KINDS, channel_ma=5.0))
    for lane_0 in ("00 FF 00 00", "00 00 0F FF"):
        payload = bytes.fromhex(lane_0 + "00 FF 0F FF")
        octets = np.frombuffer(payload, np.uint8)[None]
        lit = guard.measure([octets], [np.array([0])]).field
        assert (lit.brightness, lit.current_ma) == (0.25, 5.0)


def test_saturated_red_is_found_by_the_map() -> None:
    """The red channels of the map flash as WCAG counts them; amber does not."""
    guard = LightGuard(profile_of(TWO_KINDS, cap=1.0))
    times = 100_000_000 * np.arange(20, dtype=np.int64)
    on = {"red": "00 FF 00 00 00 00 0F FF", "amber": "00 00 0F FF 00 FF 00 00"}
    for name, red_flashes in (("red", 6), ("amber", 0)):
        dark = bytes.fromhex("00 00 00 00 00 FF 0F FF")
        packets = [bytes.fromhex(on[name]), dark] * 10
        payloads = np.frombuffer(b"".join(packets), np.uint8).reshape(20, 8)
        lit = guard.measure([payloads], [times]).field
        assert (lit.flashes, lit.red_flashes) == (6, red_flashes)


def test_safe_level_is_under_the_cap_through_the_map() -> None:
    """A payload at a level is as bright as that, and no brighter."""
    profile = profile_of(TWO_KINDS, cap=0.15)
    guard = LightGuard(profile)
    payload = np.frombuffer(level_payload(profile.node[0], 0.15), np.uint8)[None]
    lit = guard.measure([payload], [np.array([0])]).field
    assert 0.148 < lit.brightness <= 0.15
    assert guard.faults(guard.measure([payload], [np.array([0])])) == []


def test_a_node_without_devices_makes_no_light() -> None:
    """A board with nothing behind it can be guarded like any other."""
    output = {**TWO_KINDS, "channel": {"lane": [{"lanes": [0, 1], "devices": 0}]}}
    guard = LightGuard(profile_of(output, channel_ma=5.0, safe_level=0.0))
    lit = guard.measure([np.full((1, 8), 255, np.uint8)], [np.array([0])]).field
    assert (lit.brightness, lit.current_ma, lit.flashes) == (0.0, 0.0, 0)
