"""What is refused before anything is sent."""

from __future__ import annotations

import numpy as np
import pytest
from unit.traffic.profiles import FOREIGN, SMALL, causeway, shared, small

from bench.base.errors import ProfileError
from bench.profile.load import parse_profile
from bench.traffic.refusal import refuse
from bench.traffic.schedule import Schedule


def refusal(profile, recording=None) -> str:
    """The text of the refusal of a profile."""
    with pytest.raises(ProfileError) as caught:
        Schedule(profile, seed=0, recording=recording)
    return str(caught.value)


def test_more_frames_than_fit_are_refused_with_the_most_that_do():
    """The figure that the engineer needs stands in the line."""
    text = refusal(causeway("traffic.frame_rate=26 Hz"))
    assert "at most 25.99 frames/s" in text
    assert "traffic.frame_rate" in text
    refuse(causeway("traffic.frame_rate=25 Hz", "traffic.foreign.share=0"))


def test_the_worst_case_is_stated_where_octets_are_stuffed():
    """SLIP: the average and the worst."""
    text = refusal(small("slip", "traffic.frame_rate=2400 Hz"))
    assert "at most 2366.86 frames/s, 1250.00 if every octet is stuffed" in text
    worst = "traffic.pattern=worst-stuffing"
    refuse(small("slip", "traffic.frame_rate=1300 Hz"))
    assert "own packets do not fit" in refusal(
        small("slip", "traffic.frame_rate=1400 Hz", worst)
    )


def test_own_and_foreign_must_fit_together():
    """77 % and 30 % are more than there is."""
    text = refusal(causeway("traffic.foreign.share=30 %"))
    assert "own and foreign packets do not fit" in text
    assert "at most 18.19 frames/s beside 30 %" in text


def test_a_flood_of_foreign_packets_alone_is_refused():
    """Own packets would never be sent."""
    text = refusal(causeway("traffic.pacing=flood", "traffic.foreign.share=100 %"))
    assert "foreign packets leave no room" in text


def test_silence_cannot_be_packed():
    """A line that never idles has no silence to end a packet."""
    profile = small("silence")
    traffic = profile.traffic.model_copy(update={"pacing": "packed"})
    assert "cannot be packed" in refusal(
        profile.model_copy(update={"traffic": traffic})
    )


def nameless(pad: bool) -> str:
    """A packet without an address, with or without a pad."""
    return f"""
framing = "marker"
{'pad = "FF"' if pad else ""}
fields = [{{ kind = "literal", octets = "A5" }}, {{ kind = "payload", octets = 16 }}]
"""


def test_packed_needs_something_to_fill_with():
    """Neither a pad nor an address for others."""
    text = SMALL.format(packet=nameless(pad=True)).replace(FOREIGN, "")
    text = (
        text.split('[[node]]\nname = "flood-gate"')[0] + text[text.index("[traffic]") :]
    )
    profile = parse_profile(text, ["traffic.pacing=packed"])
    refuse(profile)
    packet = profile.packet.model_copy(update={"pad": None})
    without = profile.model_copy(update={"packet": packet})
    assert "nothing to fill the line with" in refusal(without)


@pytest.mark.parametrize("framing", ["break", "ninth-bit"])
def test_pads_do_not_fill_packets_that_only_the_next_one_ends(framing):
    """They would be part of the packet; foreign packets fill the line instead."""
    profile = small(framing, "traffic.pacing=packed")
    fields = tuple(field for field in profile.packet.fields if field.kind != "length")
    packet = profile.packet.model_copy(update={"fields": fields})
    text = refusal(profile.model_copy(update={"packet": packet}))
    assert text.startswith("pads would be part of packets that only the next one ends")
    without = packet.model_copy(update={"pad": None})
    refuse(profile.model_copy(update={"packet": without}))


@pytest.mark.parametrize(("node", "address"), [(0, 0), (1, 50)])
def test_octets_outside_a_shared_payload_are_refused(node, address):
    """The payload begins with octet 1, and holds 64 at most."""
    profile = shared()
    refuse(profile)
    moved = profile.node[node].model_copy(update={"address": address})
    nodes = (*profile.node[:node], moved, *profile.node[node + 1 :])
    text = refusal(profile.model_copy(update={"node": nodes}))
    assert text == (
        f"the lanes' octets are not in the packet: octets {address} to {address + 15}, "
        f"expected 1 to 64 @ node.{node}.address"
    )


def test_every_fault_comes_at_once():
    """A broadcast without an address, and too many frames."""
    profile = causeway()
    fields = tuple(
        field.model_copy(update={"broadcast": ()}) if field.kind == "address" else field
        for field in profile.packet.fields
    )
    packet = profile.packet.model_copy(update={"fields": fields})
    traffic = profile.traffic.model_copy(
        update={"broadcast_every": 2, "frame_rate_hz": 40}
    )
    broken = profile.model_copy(update={"packet": packet, "traffic": traffic})
    lines = refusal(broken).splitlines()
    assert [line.split(":")[0] for line in lines] == [
        "no broadcast address",
        "own packets do not fit",
    ]


def test_an_unknown_pattern_is_refused():
    """Before anything is sent."""
    assert "unknown pattern: rampe" in refusal(causeway("traffic.pattern=rampe"))


def test_play_without_a_recording_is_refused():
    """With one it is not."""
    profile = small("marker", "traffic.pattern=play")
    assert "without a recording" in refusal(profile)
    refuse(profile, np.ones(100, np.uint8))


def test_a_payload_that_the_packet_cannot_carry_is_refused():
    """The lanes of the causeway hold 3,840 octets."""
    profile = causeway()
    fields = tuple(
        field.model_copy(update={"most": 3839}) if field.kind == "payload" else field
        for field in profile.packet.fields
    )
    packet = profile.packet.model_copy(update={"fields": fields})
    text = refusal(profile.model_copy(update={"packet": packet}))
    assert "3840 octets, expected 0 to 3839" in text


def test_numbers_without_an_exact_grid_are_refused():
    """A prime baud and a prime frame rate leave no room in 64 bits."""
    profile = small("marker", "traffic.pacing=flood", "bus.baud=99999989")
    traffic = profile.traffic.model_copy(update={"frame_rate_hz": 1_000_000_007})
    text = refusal(profile.model_copy(update={"traffic": traffic}))
    assert "cannot be placed on one exact grid" in text
