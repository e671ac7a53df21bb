"""The payload kernel against its plain twin, every pattern of the registry."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins.channel_cases import NAMES, outputs
from twins.payload_twin import Payloads
from twins.schedule_cases import FRAMINGS, PATTERNS, cases, keys, profile_of

from bench.base.errors import ProfileError
from bench.kernels import payload as kernel
from bench.profile.model import Profile
from bench.traffic.patterns import Case, Kind
from bench.traffic.plan import pattern_of
from bench.wire.format import format_of


def test_kinds_have_the_same_numbers():
    """The kinds of recipes and those of the kernel."""
    assert {kind.name: kind.value for kind in Kind} == {
        name: getattr(kernel, name) for name in Kind.__members__
    }


@pytest.mark.parametrize("name", PATTERNS)
@given(data=st.data(), seed=st.integers(0, 2**64 - 1))
@settings(max_examples=25, deadline=None)
def test_kernel_and_twin_fill_alike(name, data, seed):
    """Any frame, place and size, several in a row, and nothing beside them."""
    case = data.draw(cases(data.draw(st.sampled_from(FRAMINGS)), "flood"))
    case["pattern"] = name
    nodes = len(case["sizes"])
    recording = np.frombuffer(case["recording"], np.uint8)
    format_ = format_of(profile_of(case).packet)
    pattern = pattern_of(Case(name, format_, tuple(case["sizes"]), recording), seed)
    twin = Payloads(case, keys(seed)["payload"])
    frames = st.one_of(st.integers(0, 40), st.integers(0, 2**40))
    for _ in range(4):
        frame, place = data.draw(frames), data.draw(st.integers(0, nodes))
        octets = data.draw(st.integers(0, 120))
        number = -1 - frame if place == nodes else frame * nodes + place
        out = np.full(octets + 2, 0xEE, np.uint8)
        kernel.fill_payload(pattern, frame, place, number, (out, 1, octets))
        assert bytes(out[1:-1]) == twin.payload(frame, place, octets)
        assert out[0] == out[-1] == 0xEE


@st.composite
def texts(draw: st.DrawFn, names: list[str]) -> str:
    """Patterns by channel, whether or not there is what they speak of."""
    part = st.one_of(
        st.sampled_from([f"node {name}" for name in names]),
        st.builds("lane {}".format, st.integers(0, 2)),
        st.builds("device {}".format, st.integers(0, 1)),
        st.builds("channel {}".format, st.integers(0, 1)),
        st.sampled_from(NAMES),
    )
    level = st.sampled_from(["off", "dim", "full", "30 %", "99.9 %"])
    selections = []
    for _ in range(draw(st.integers(1, 3))):
        parts = draw(st.lists(part, max_size=2, unique_by=_kind))
        selections.append([*parts, draw(level)] if draw(st.booleans()) else parts)
    if draw(st.booleans()):
        each = f"each {draw(st.sampled_from(['lane', 'device', 'channel']))}"
        times = [[], ["100 ms"], ["3 s"]]
        selections[-1] += [each, *draw(st.sampled_from(times))]
    joined = [", ".join(draw(st.permutations(one))) for one in selections if one]
    return "; ".join(joined) or "full"


def _kind(part: str) -> str:
    """What a part speaks of."""
    return part.split()[0] if part.split()[0] not in NAMES else "name"


def lit_profile(case: dict) -> Profile:
    """A profile with these outputs."""
    tables = json.loads(profile_of(case["plain"]).model_dump_json(by_alias=True))
    tables["node"] = [
        {
            "name": name,
            "address": 1 + index,
            "processor": {"interrupt": {"per_character": "1 us"}},
            "output": {"clock": "1 MHz", "latch_gap": "1 us", **output},
        }
        for index, (name, output) in enumerate(
            zip(case["names"], case["outputs"], strict=True)
        )
    ]
    tables["traffic"]["frame_rate"] = case["rate"]
    return Profile.model_validate_json(json.dumps(tables))


@given(data=st.data())
@settings(max_examples=300, deadline=None)
def test_kernel_and_twin_light_alike(data):
    """Any selections of any channels: the same octets in any frame, at every node."""
    nodes = data.draw(st.lists(outputs(), min_size=1, max_size=2))
    case = {"outputs": nodes, "names": ["ebb", "flood-gate"][: len(nodes)]}
    case["plain"] = data.draw(cases("slip", "flood"))
    case["rate"] = data.draw(st.sampled_from([1, 20, 25]))
    case["pattern"] = data.draw(texts(case["names"]))
    profile = lit_profile(case)
    sizes = tuple(node.output.payload_octets for node in profile.node)
    format_ = format_of(profile.packet)
    twin = Payloads({**case, "sizes": sizes}, (0, 0))
    what = Case(case["pattern"], format_, sizes, None, profile)
    if twin.lights.says_nothing():
        with pytest.raises(ProfileError, match=r"no (such|part)|unknown pattern"):
            pattern_of(what, 0)
        return
    pattern = pattern_of(what, 0)
    for _ in range(6):
        frame, place = (
            data.draw(st.integers(0, 400)),
            data.draw(st.integers(0, len(sizes))),
        )
        octets = (*sizes, sizes[0])[place]
        out = np.full(octets + 2, 0xEE, np.uint8)
        kernel.fill_payload(pattern, frame, place, 0, (out, 1, octets))
        assert bytes(out[1:-1]) == twin.payload(frame, place, octets)
        assert out[0] == out[-1] == 0xEE
