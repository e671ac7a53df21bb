"""The profile of a point: what `--set` would make of it, and a few things beside."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import pytest

from bench.api import load_profile
from bench.base.errors import ProfileError
from bench.traffic.load import intended_load
from bench.trial.sweep.axes import Axis
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.profile import Profile

CAUSEWAY = Template.of_file("causeway")


@pytest.mark.parametrize("name", ["causeway", "jetty", "slipway", "dmx512"])
def test_same_as_loaded(name: str) -> None:
    """A value set at a point does what it does when a profile is loaded."""
    for sets in ([], ["output.clock=300 kHz"], ["bus.baud=3 Mbaud", "accept.loss=1 %"]):
        wanted, made = (
            said(load, sets)
            for load in (partial(load_profile, name), Template.of_file(name).profile)
        )
        assert made == wanted
        # A profile that was loaded is one again, with what nodes share.
        again = Template.of_profile(load_profile(name)).profile
        assert said(again, sets) == wanted


def said(load: Callable[[Sequence[str]], Profile], sets: Sequence[str]) -> Any:
    """The profile, or the lines of what is wrong with it."""
    try:
        return load(sets)
    except ProfileError as error:
        return list(error.lines)


def test_of_a_profile_whose_nodes_differ() -> None:
    """What one node states by itself stays its own."""
    own = ["node.1.output.clock=300 kHz"]
    template = Template.of_profile(load_profile("causeway", own))
    assert template.profile() == load_profile("causeway", own)
    changed = template.profile(["output.latch_gap=1 ms"])
    assert {node.output.latch_gap_ns for node in changed.node} == {1_000_000}
    assert changed.node[1].output.clock_hz == 300_000


def test_load_by_the_frame_rate() -> None:
    """The rate is the highest whole one whose load is not above what is asked."""
    axes = [Axis("load", ("60 %",)), Axis("foreign", ("10 %",))]
    profile, _ = CAUSEWAY.at(axes, ("60 %", "10 %"), 1)
    assert profile.traffic.foreign.share == 0.1
    assert intended_load(profile) <= 0.6
    rate = profile.traffic.frame_rate_hz
    faster = CAUSEWAY.profile(
        [f"traffic.frame_rate={rate + 1} Hz", "traffic.foreign.share=10 %"]
    )
    assert intended_load(faster) > 0.6


@pytest.mark.parametrize(
    ("axes", "said"),
    [
        ({"load": "16 %"}, "load too small: 16 %, expected at least 18.8 %"),
        ({"load": "fast"}, "not a share: fast"),
        ({"load": "50 %", "traffic.pacing": "flood"}, "flood pacing is always 100 %"),
        ({"seed": "-1"}, "not a seed: -1"),
        ({"seed": str(2**64)}, "not a seed"),
        ({"bus.baud": "1 kHz"}, "bus.baud"),
    ],
)
def test_no_such_point(axes: dict[str, str], said: str) -> None:
    """A point that cannot be is a fault of the profile, in one line."""
    made = [Axis(name, (value,)) for name, value in axes.items()]
    with pytest.raises(ProfileError, match=said):
        CAUSEWAY.at(made, tuple(axes.values()), 1)


def test_seed_is_the_points() -> None:
    """The seed of a point is that of its axis, else that of the sweep."""
    assert CAUSEWAY.at([Axis("seed", ("7",))], ("7",), 1)[1] == 7
    assert CAUSEWAY.at([], (), 3)[1] == 3
