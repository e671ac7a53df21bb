"""Currents, against sums of data sheets and handbooks."""

from __future__ import annotations

import pytest

from bench.budget import budget
from bench.profile import load_profile


def test_sum_of_currents() -> None:
    """510 channels of 20 mA draw 10.2 A (sum of duty times current; arithmetic)."""
    settings = [
        "light.channel=20 mA",
        "output.lanes=1",
        "output.devices=1",
        "output.register_bits=8160",
        "output.channel.bits=16",
    ]
    found = budget(load_profile("causeway", settings))
    assert found["node at full"].value == pytest.approx(10_200)
    assert found["all at full"].value == pytest.approx(4 * 10_200)


def test_cap_and_pattern() -> None:
    """A fifth under the cap; drawn octets light half of every channel on average."""
    found = budget(load_profile("causeway"))
    assert found["all at full"].value == 38_400
    assert found["all at the cap"].value == pytest.approx(7680)
    assert found["pattern"].value == 19_200
    assert "above the cap" in found["pattern"].note


def test_what_is_not_stated_is_not_zero() -> None:
    """Without the current of a channel there is no sum."""
    found = budget(load_profile("causeway", ["light.channel=0 mA"]))
    assert found["all at full"].value is None
    assert found["all at full"].missing == "light.channel"


def test_other_patterns_are_measured() -> None:
    """What a ramp lights is looked at, not guessed."""
    found = budget(load_profile("causeway", ["traffic.pattern=ramp"]))
    assert found["pattern"].value is None
    assert "nightbench check" in found["pattern"].missing
