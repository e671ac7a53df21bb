"""The registry of patterns, and what the patterns promise."""

from __future__ import annotations

import numpy as np
import pytest
from unit.traffic.profiles import causeway, chunks, small

from bench.base.errors import ProfileError
from bench.traffic.patterns import (
    PATTERNS,
    Case,
    Kind,
    Recipe,
    recipe_of,
    stuffed_share,
)
from bench.wire.format import format_of

NAMES = [p.name.replace("XX", "3c") for p in PATTERNS if p.name != "play"]


def case(name: str, framing: str = "marker", recording=None) -> Case:
    """A case of two nodes with 16 octets each."""
    return Case(name, format_of(small(framing).packet), (16, 16), recording)


def payloads(framing: str, pattern: str, packets: int, *overrides: str) -> list[bytes]:
    """The payloads of the first own packets of a flood."""
    profile = small(
        framing, "traffic.pacing=flood", f"traffic.pattern={pattern}", *overrides
    )
    found = []
    for _, sent in chunks(profile, packets=packets):
        for row in sent.rows[sent.rows["payload_at"] >= 0]:
            at = row["payload_at"]
            found.append(bytes(sent.payload[at : at + row["payload_octets"]]))
    return found


def test_every_pattern_has_a_name_and_one_line():
    """Names are words of a profile, lines are short and end without a full stop."""
    names = [pattern.name for pattern in PATTERNS]
    assert len(set(names)) == len(names)
    for pattern in PATTERNS:
        assert pattern.line
        assert "\n" not in pattern.line
        assert not pattern.line.endswith(".")
        assert len(pattern.line) < 70


@pytest.mark.parametrize("name", NAMES)
def test_every_pattern_makes_a_recipe(name):
    """A table has a step for every node and for the broadcast packet."""
    recipe = recipe_of(case(name))
    assert recipe.table.dtype == np.uint8
    if recipe.kind == Kind.TABLE:
        assert len(recipe.steps) == 3


@pytest.mark.parametrize(
    ("name", "near"),
    [("rampe", "did you mean ramp"), ("prbs7", "did you mean prbs"), ("zzz", "ramp")],
)
def test_an_unknown_pattern_is_refused_with_the_nearest(name, near):
    """One line that names what there is."""
    with pytest.raises(ProfileError, match=near) as caught:
        recipe_of(case(name))
    assert caught.value.faults[0].where == "traffic.pattern"


@pytest.mark.parametrize(
    "name", ["constant-", "constant-1", "constant-1G", "constant-100"]
)
def test_a_constant_is_one_octet(name):
    """Anything but two hexadecimal digits is no pattern."""
    with pytest.raises(ProfileError, match="unknown pattern"):
        recipe_of(case(name))


def test_ramp_counts_up_from_the_packet_s_number():
    """Octet i of packet k is k + i."""
    for number, payload in enumerate(payloads("marker", "ramp", 600)):
        assert payload == bytes((number + i) % 256 for i in range(16))


def test_walking_one_visits_every_bit_of_a_node():
    """A node's set bit moves on by one each frame, through all of its payload."""
    mine = payloads("marker", "walking-one", 2 * 128)[::2]
    assert [int.from_bytes(p, "little") for p in mine] == [1 << k for k in range(128)]


def test_checkerboard_is_inverted_every_frame_at_every_node():
    """Also with an even number of nodes, where packet numbers never change parity."""
    found = payloads("marker", "checkerboard", 12)
    for node in range(2):
        for before, after in zip(found[node::2], found[node + 2 :: 2], strict=False):
            assert bytes(octet ^ 0xFF for octet in before) == after
    assert found[0] == b"\x55\xaa" * 8


def test_constant_is_that_octet():
    """Both cases of the digits."""
    assert payloads("marker", "constant-3c", 3) == [b"\x3c" * 16] * 3
    assert payloads("marker", "constant-3C", 3) == [b"\x3c" * 16] * 3


@pytest.mark.parametrize("framing", ["slip", "hdlc"])
def test_worst_stuffing_doubles_every_octet_and_no_packet_is_like_another(framing):
    """Characters of the payload are twice its octets; a payload comes once."""
    pattern = "traffic.pattern=worst-stuffing"
    profile = small(framing, "traffic.pacing=flood", "traffic.foreign.share=0", pattern)
    for _, sent in chunks(profile, packets=500):
        # Two delimiters, an address, a check of two octets of which any may double.
        assert (sent.rows["octets"] >= 2 * 16 + 5).all()
        assert (sent.rows["octets"] <= 2 * 16 + 7).all()
    assert len(set(payloads(framing, "worst-stuffing", 500))) == 500


def test_worst_stuffing_of_cobs_has_no_zero():
    """So that its groups are as long as they can be."""
    found = payloads("cobs", "worst-stuffing", 255)
    assert all(0 not in payload for payload in found)
    assert len(set(found)) == 255


def test_worst_stuffing_of_a_marker_is_full_of_markers():
    """False headers all over, and still no two packets alike."""
    found = payloads("marker", "worst-stuffing", 500)
    assert all(payload.count(b"\xa5\x5a") == 5 for payload in found)
    assert len(set(found)) == 500


@pytest.mark.parametrize("name", ["random", "prbs31", "prbs23"])
def test_no_two_packets_of_a_node_are_alike(name):
    """Sixteen octets are enough to tell five thousand packets apart."""
    assert len(set(payloads("marker", name, 10_000)[::2])) == 5000


def test_prbs_runs_on_at_each_node():
    """Each node's payloads, put together, are one sequence from its start."""
    found = payloads("marker", "prbs9", 20)
    assert b"".join(found[::2]) == b"".join(found[1::2])
    # The first octets of the published payload, see the twins' test of the sequence.
    assert b"".join(found[::2]).startswith(bytes.fromhex("FF C1 FB E8 4C 90 72 8B E7"))


def test_play_repeats_recorded_frames():
    """Frame by frame, node by node, and from the start again after the last."""
    recording = np.arange(3 * 2 * 16, dtype=np.uint8).reshape(3, 2, 16)
    profile = small("marker", "traffic.pattern=play", "traffic.pacing=flood")
    ((_, sent),) = chunks(profile, packets=14, recording=recording)
    flat = [bytes(recording[frame, node]) for frame in range(3) for node in range(2)]
    assert bytes(sent.payload) == b"".join((flat * 3)[:14])


def test_play_cuts_a_flat_recording_into_payloads():
    """Payload after payload from one row of octets, round and round."""
    recording = np.arange(50, dtype=np.uint8)
    recording.flags.writeable = False
    profile = small("marker", "traffic.pattern=play", "traffic.pacing=flood")
    ((_, sent),) = chunks(profile, packets=9, recording=recording)
    assert bytes(sent.payload) == bytes(k % 50 for k in range(9 * 16))


@pytest.mark.parametrize(
    "recording",
    [
        None,
        np.zeros(0, np.uint8),
        np.zeros((2, 3, 16), np.uint8),
        np.zeros((2, 2), np.uint8),
    ],
)
def test_play_refuses_what_it_cannot_play(recording):
    """No recording, an empty one, one of other nodes, one of no known shape."""
    with pytest.raises(ProfileError, match="record"):
        recipe_of(case("play", recording=recording))


def test_a_broadcast_packet_is_like_no_own_packet_near_it():
    """What nodes show of it can be told from what they show of their own packets."""
    for name in ("random", "ramp", "walking-one", "worst-stuffing"):
        found = payloads("marker", name, 8, "traffic.broadcast_every=1")
        broadcast = found[2::3]
        assert len(set(broadcast)) == 4
        assert not set(broadcast) & {*found[::3], *found[1::3]}


def test_stuffed_share_is_the_average():
    """Measured over many packets, each pattern costs what its recipe says."""
    for framing, replaced in (("slip", (0xC0, 0xDB)), ("hdlc", (0x7D, 0x7E))):
        for name in ("random", "ramp", "constant-7E", "worst-stuffing", "walking-one"):
            found = b"".join(payloads(framing, name, 4096))
            measured = sum(found.count(bytes([octet])) for octet in replaced) / len(
                found
            )
            stated = stuffed_share(
                recipe_of(case(name, framing)), case(name, framing).format
            )
            assert measured == pytest.approx(stated, abs=1e-3)


def test_causeway_is_random_and_never_repeats():
    """The shipped example's packets can be told apart."""
    seen = [
        bytes(p)
        for _, s in chunks(causeway(), packets=40)
        for p in s.payload.reshape(-1, 3840)
    ]
    assert len(set(seen)) == len(seen) == 40


def test_recipes_are_values():
    """A recipe says everything by itself."""
    recipe = recipe_of(case("ramp"))
    assert isinstance(recipe, Recipe)
    assert (recipe.frame_step, recipe.steps) == (2, (0, 1, 128))
