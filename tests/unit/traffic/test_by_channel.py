"""Patterns by channel: what texts mean, what they light, and how they are refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from unit.traffic.profiles import chunks, small

from bench.base.errors import ProfileError
from bench.profile import load_profile
from bench.profile.channels import ChannelMap, dark_payload
from bench.traffic.by_channel import BY_CHANNEL, lit_by
from bench.traffic.light import LightGuard
from bench.traffic.patterns import Case, Kind, recipe_of, stuffed_share
from bench.traffic.refusal import refuse
from bench.wire.format import format_of

if TYPE_CHECKING:
    from bench.profile import Profile

LAYOUT = """output.channel = {
  bits = 16, inverted = true,
  layout = [{name = "red", red = true}, {name = "amber"}, {name = "white", bits = 8}],
  lane = [{lanes = [2], inverted = false}]
}""".replace("\n", "")
"""A lane's device has three channels, all inverted but on lane 2."""


def causeway(pattern: str, *overrides: str) -> Profile:
    """The shipped example with names for its channels."""
    given = (f"traffic.pattern={pattern}", "traffic.foreign.share=0")
    return load_profile("causeway", [LAYOUT, *given, *overrides])


def shown(profile: Profile, frames: int) -> np.ndarray[Any, Any]:
    """The light of every channel, as a share: (frames, nodes, channels)."""
    nodes = len(profile.node)
    packets = [
        sent.payload for _, sent in chunks(profile, packets=frames * nodes) if sent
    ]
    payloads = np.concatenate(packets).reshape(frames, nodes, -1)
    maps = [ChannelMap(node) for node in profile.node]
    light = [one.decode(payloads[:, k]) / one.full for k, one in enumerate(maps)]
    return np.stack(light, axis=1)


def rows(profile: Profile) -> Any:
    """The channels of a node."""
    return ChannelMap(profile.node[0]).rows


def lit(profile: Profile) -> set[tuple[int, int, int, int]]:
    """Node, lane, device and channel of all that is lit in the first frame."""
    (light,) = shown(profile, 1)
    table = rows(profile)
    return {
        (int(node), *(int(table[key][k]) for key in ("lane", "device", "channel")))
        for node, k in zip(*np.nonzero(light), strict=True)
    }


def test_one_channel_of_every_node() -> None:
    """`lane 3, device 7, red, dim` lights exactly that, a tenth of full, everywhere."""
    profile = causeway("lane 3, device 7, red, dim")
    assert lit(profile) == {(node, 3, 7, 0) for node in range(4)}
    (light,) = shown(profile, 1)
    assert light.max() == pytest.approx(0.1, abs=1e-4)


def test_parts_may_be_left_out_and_stand_in_any_order() -> None:
    """Whatever is not said is all there is."""
    devices, lanes, nodes = range(20), range(8), range(4)
    for text, expected in {
        "device 7, red": {(n, k, 7, 0) for n in nodes for k in lanes},
        "white, full, lane 1": {(n, 1, d, 2) for n in nodes for d in devices},
        "node ebb, channel 1": {(1, k, d, 1) for k in lanes for d in devices},
        "amber,node   ebb ,  lane 0": {(1, 0, d, 1) for d in devices},
        "off": set(),
    }.items():
        assert lit(causeway(text)) == expected, text


def test_levels() -> None:
    """Full, dim, off, a share; every channel rounds down to its own steps."""
    for text, share in {"full": 1.0, "dim": 0.1, "0.5 %": 0.005, "off": 0.0}.items():
        profile = causeway(text)
        full = ChannelMap(profile.node[0]).full
        (light,) = shown(profile, 1)
        assert (light[0] == np.floor(share * full) / full).all()


def test_what_is_lit_is_never_dark() -> None:
    """A share below one step is one step, or a lamp would seem to be broken."""
    profile = causeway("0.001 %", "output.channel.bits=1")
    white = rows(profile)["channel"] == 2
    (light,) = shown(profile, 1)
    assert (light[:, white] == 1 / 255).all()


def test_the_rest_is_dark_through_the_map() -> None:
    """Inverted channels are ones, bits of no channel zeros: dark is not zero."""
    profile = causeway("node slack-water, lane 0, device 0, red, full")
    ((_, sent),) = chunks(profile, packets=4)
    payloads = sent.payload.reshape(4, -1)
    dark = np.frombuffer(dark_payload(profile.node[1]), np.uint8)
    assert (payloads[1:] == dark).all()
    assert payloads[0, :2].tolist() == [0, 0]
    assert (payloads[0, 2:] == dark[2:]).all()
    register, lane_2 = dark[:24], dark[960:984]
    assert register.tolist() == [255] * 5 + [0] * 19
    assert not lane_2.any()


def test_several_selections_the_later_over_the_earlier() -> None:
    """Everything dim, a lane off, one channel of it in full."""
    profile = causeway("dim; lane 3, off; lane 3, device 0, amber, full")
    (light,) = shown(profile, 1)
    table = rows(profile)
    lane_3 = table["lane"] == 3
    one = lane_3 & (table["device"] == 0) & (table["channel"] == 1)
    assert (light[:, one] == 1).all()
    assert not light[:, lane_3 & ~one].any()
    assert (light[:, ~lane_3] > 0.09).all()


def test_each_channel_in_turn() -> None:
    """One channel a turn, in order, at every node at once, and over again."""
    profile = causeway("lane 1, device 19, each channel, full, 100 ms")
    turns = shown(profile, 8)  # 20 frames a second: two a turn
    picked = (rows(profile)["lane"] == 1) & (rows(profile)["device"] == 19)
    assert not turns[:, :, ~picked].any()
    expected = np.repeat(np.eye(3), 2, axis=0)[[0, 1, 2, 3, 4, 5, 0, 1]]
    for node in range(4):
        assert (turns[:, node, picked] == expected).all()


def test_each_device_in_turn_is_a_second_long() -> None:
    """The devices of all lanes one after another, all their channels or one."""
    profile = causeway("each device, amber, full")
    light = shown(profile, 3 * 20 + 1)
    table = rows(profile)
    for frame, device in ((0, 0), (19, 0), (20, 1), (59, 2), (60, 3)):
        on = (table["lane"] == 0) & (table["device"] == device)
        on &= table["channel"] == 1
        assert (light[frame] == on).all()
    along = causeway("each device, amber, full, 50 ms")
    light = shown(along, 161)
    seen = [int(table["lane"][k]) for k in light[:, 0].argmax(axis=1)]
    assert seen == [*np.repeat(np.arange(8), 20).tolist(), 0]


def test_each_lane_over_what_stays_lit() -> None:
    """One lane after another in full, everything else dim."""
    profile = causeway("dim; each lane, full, 50 ms")
    light = shown(profile, 9)
    lane = rows(profile)["lane"]
    for frame in range(9):
        assert ((light[frame] == 1) == (lane == frame % 8)).all()
        assert light[frame].min() > 0.09


def test_a_turn_is_a_frame_at_least() -> None:
    """A time shorter than a frame is one."""
    lit_each = lit_by("each channel, 1 ns", causeway("off"))
    assert (lit_each.hold, lit_each.turns) == (1, 8 * 20 * 3)


def test_a_walk_is_not_a_flash() -> None:
    """One channel in turn moves no field by a tenth; all of them on and off does."""
    walk = causeway("each channel, full, 50 ms")
    guard = LightGuard(walk)
    ((_, sent),) = chunks(walk, 1 << 20, packets=160)
    figures = guard.measure(*guard.by_node(sent))
    assert (figures.field.flashes, figures.field.red_flashes) == (0, 0)
    assert guard.faults(figures) == []
    bright = causeway("full")
    ((_, sent),) = chunks(bright, packets=4)
    (fault,) = guard.faults(guard.measure(*guard.by_node(sent)))
    assert fault.what == "light too bright"


def test_dim_is_under_the_cap() -> None:
    """The shipped cap is kept by everything dim, and by everything off."""
    for text, brightness in (("dim", 0.1), ("off", 0.0)):
        profile = causeway(text)
        guard = LightGuard(profile)
        ((_, sent),) = chunks(profile, packets=4)
        figures = guard.measure(*guard.by_node(sent))
        assert figures.field.brightness == pytest.approx(brightness, abs=1e-3)
        assert guard.faults(figures) == []


def test_broadcast_packets_hold_what_the_first_node_is_sent() -> None:
    """So nodes that are alike show the same of them as of their own packets."""
    overrides = ("traffic.broadcast_every=1", "traffic.pacing=flood")
    profile = small("marker", "traffic.pattern=each lane, full, 10 ms", *overrides)
    ((_, sent),) = chunks(profile, packets=20)
    frames = sent.payload.reshape(-1, 3, 16)
    assert (frames[:, 0] == frames[:, 2]).all()
    assert (frames.reshape(-1, 16).max(axis=1) == 255).all()


def test_every_node_has_its_window_of_a_shared_payload() -> None:
    """One packet for all of them: what is lit is lit where each node takes it."""
    packet = (
        '{framing="break",break="92 us",mark_after_break="12 us",pad="FF",'
        'fields=[{kind="payload",octets=40,shared=true}]}'
    )
    overrides = ("node.1.address=21", f"packet={packet}", "traffic.foreign={share=0}")
    pattern = "traffic.pattern=node flood-gate, lane 1, full; node ebb, channel 0, full"
    profile = small("break", *overrides, pattern)
    ((_, sent),) = chunks(profile, packets=3)
    for payload in sent.payload.reshape(3, 40):
        lit_octets = np.flatnonzero(payload).tolist()
        assert lit_octets == [0, 4, 8, 12, *range(24, 28)]
    figures = LightGuard(profile).measure(*LightGuard(profile).by_node(sent))
    assert [lit.brightness for lit in figures.nodes] == [0.25, 0.25]


def test_stuffed_share_is_the_average_of_all_turns() -> None:
    """What a walk costs on a line that stuffs is measured over its whole course."""
    text = "dim; each channel, 75.2 %"  # 191.76 of 255 is BFh; C0h is one more
    for pattern in (text, text.replace("75.2", "75.3"), "75.3 %", "each lane, 75.3 %"):
        overrides = (f"traffic.pattern={pattern}, 5 ms" if "each" in pattern else "",)
        overrides = overrides if overrides[0] else (f"traffic.pattern={pattern}",)
        profile = small("slip", *overrides, "traffic.pacing=flood")
        frames = 16 if "channel" in pattern else 4
        found = b"".join(
            bytes(sent.payload) for _, sent in chunks(profile, packets=2 * frames)
        )
        measured = (found.count(b"\xc0") + found.count(b"\xdb")) / len(found)
        name = profile.traffic.pattern
        case = Case(name, format_of(profile.packet), (16, 16), None, profile)
        stated = stuffed_share(recipe_of(case), case.format)
        assert stated == pytest.approx(measured, abs=1e-12)
        assert (stated > 0) == ("75.3" in pattern)


# --- refused --------------------------------------------------------------------------

PARTS = (
    "expected node, lane, device, channel or each, red, amber, white, off, dim, full, "
    "a share or a time @ traffic.pattern"
)

REFUSED = {
    "devise 7": f"no part of a pattern: devise 7, {PARTS} (did you mean device 7?)",
    "Lane 3, red": f"no part of a pattern: Lane 3, {PARTS} (did you mean lane 3?)",
    "lane three": f"no part of a pattern: lane three, {PARTS} (did you mean lane N?)",
    "each chanel": (
        f"no part of a pattern: each chanel, {PARTS} (did you mean each channel?)"
    ),
    "ambr, full": f"no part of a pattern: ambr, {PARTS} (did you mean amber?)",
    "lane 3,,dim": f"no part of a pattern, {PARTS}",
    "node eb, dim": (
        "no such node: eb, expected slack-water, ebb, flood-gate, harbour-end "
        "@ traffic.pattern (did you mean ebb?)"
    ),
    "lane 8": "no such lane: 8, expected 0 to 7 @ traffic.pattern",
    "device 20, full": "no such device: 20, expected 0 to 19 @ traffic.pattern",
    "channel 3": "no such channel: 3, expected 0 to 2 @ traffic.pattern",
    "red, channel 1": (
        "no such channel: red, channel 1, expected one that is all of that "
        "@ traffic.pattern"
    ),
    "lane 3, lane 4": (
        "said twice: lane 4, expected lane 3 alone @ traffic.pattern "
        "(a semicolon parts selections)"
    ),
    "20 %, dim": (
        "said twice: dim, expected 20 % alone @ traffic.pattern "
        "(a semicolon parts selections)"
    ),
    "lane 2, 50 ms": (
        "time without use: 50 ms, expected each lane, each device or each channel "
        "beside it @ traffic.pattern"
    ),
    "each lane; each device": (
        "second selection in turn: each device, expected one; the first is each lane "
        "@ traffic.pattern"
    ),
    "130 %": "out of range: 130 %, expected 0 % to 100 % @ traffic.pattern",
    "each lane, 5 parsecs": (
        "unknown unit: 5 parsecs, expected a duration in ps, ns, us, ms, s, min, h, d "
        "@ traffic.pattern"
    ),
}


@pytest.mark.parametrize(("text", "line"), REFUSED.items(), ids=REFUSED)
def test_refused(text: str, line: str) -> None:
    """One line: what is wrong, what there is, and the nearest to it."""
    with pytest.raises(ProfileError) as caught:
        refuse(causeway(text))
    assert list(caught.value.lines) == [line]


def test_a_word_alone_may_be_any_pattern() -> None:
    """What is neither a pattern nor a channel is told the nearest of both."""
    for text, near in (("rampe", "ramp"), ("ambr", "amber"), ("ful", "full")):
        with pytest.raises(ProfileError, match="unknown pattern") as caught:
            refuse(causeway(text))
        assert str(caught.value).endswith(f"(did you mean {near}?)")


def test_channels_without_names() -> None:
    """Where the map has no names, it is said where they would stand."""
    overrides = ["traffic.pattern=device 7, red"]
    with pytest.raises(ProfileError, match="channels are named in output"):
        refuse(load_profile("causeway", overrides))
    refuse(load_profile("causeway", ["output.channel={bits=16,red=[2]}", *overrides]))


def test_red_without_a_layout() -> None:
    """The red channels of a map without names are called red."""
    profile = causeway("device 7, lane 0, red", "output.channel={bits=16,red=[2,5]}")
    assert {key[1:] for key in lit(profile)} == {(0, 7, 2), (0, 7, 5)}


@pytest.mark.parametrize("text", [text for text, _ in BY_CHANNEL])
def test_examples_are_right(text: str) -> None:
    """Every example of the list can be sent as it stands, and lights something."""
    assert shown(causeway(text), 1).any()


def test_examples_have_one_line() -> None:
    """As the other patterns do."""
    for text, line in BY_CHANNEL:
        assert len(text) + len(line) < 78
        assert not line.endswith(".")


WORDS = ["node ebb", "lane 3", "lane", "each", "each lane", "red", "dim", "5 %", ";"]


@given(st.lists(st.sampled_from(WORDS) | st.text(max_size=6), max_size=5))
def test_any_text(parts: list[str]) -> None:
    """Any text is a pattern or is refused; nothing else happens."""
    profile = causeway("off")
    text, sizes = ", ".join(parts), (3840,) * 4
    case = Case(text, format_of(profile.packet), sizes, None, profile)
    try:
        assert recipe_of(case).kind in Kind
    except ProfileError as error:
        lines = error.lines
    else:
        lines = ["a pattern"]
    assert all(line.isprintable() for line in lines)
