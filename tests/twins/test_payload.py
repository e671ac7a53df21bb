"""The payload kernel against its plain twin, every pattern of the registry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins.payload_twin import Payloads
from twins.schedule_cases import FRAMINGS, PATTERNS, cases, keys, profile_of

from bench.kernels import payload as kernel
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
