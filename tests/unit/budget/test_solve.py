"""Limiting values: the last that fits, and what would give way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from bench.base.errors import UsageError
from bench.budget import budget, solve
from bench.profile import load_profile

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.profile import Profile


def loader(name: str, *settings: str) -> Callable[[Sequence[str]], Profile]:
    """The profile with more overrides."""
    return lambda more: load_profile(name, [*settings, *more])


@pytest.mark.parametrize(
    ("name", "path"),
    [
        ("causeway", "output.clock"),
        ("causeway", "bus.baud"),
        ("causeway", "output.devices"),
        ("causeway", "processor.rearrange.per_octet"),
        ("causeway", "traffic.frame_rate"),
        ("jetty", "bus.baud"),
        ("jetty", "processor.interrupt.bit"),
        ("slipway", "processor.interrupt.per_character"),
        ("dmx512", "processor.rearrange.fixed"),
    ],
)
def test_the_last_that_fits(name: str, path: str) -> None:
    """At an end it fits, one unit further it does not."""
    load = loader(name)
    found = solve(load, path)
    ends = ((found.lowest, -1, found.lowest_by), (found.highest, 1, found.highest_by))
    for end, step, why in ends:
        if end is None:
            continue
        text = found.written(end)
        assert budget(load([f"{path}={text}"])).fits, text
        past = found.written(end + step) if end + step > 0 else None
        if past is not None:
            assert not fits(load, f"{path}={past}"), past
        assert why


def fits(load: Callable[[Sequence[str]], Profile], setting: str) -> bool:
    """Whether a profile fits, one that is refused not."""
    from bench.base.errors import BenchError

    try:
        return budget(load([setting])).fits
    except BenchError:
        return False


def test_the_clock_is_as_low_as_the_frame_rate_allows() -> None:
    """Without a limit to the latency a burst.

    Its gap and its start fill the time of a packet (common practice, no source: a clock
    as low as the frame rate allows).
    """
    load = loader("causeway", "accept.latency=", "accept.skew=")
    found = solve(load, "output.clock")
    assert found.value == found.lowest
    assert found.limited_by in (
        "output interval",
        "burst and latch gap outlast a frame",
    )
    # 3,840 clocks in 50 ms less 0.5 ms
    assert found.value == pytest.approx(3840 / 0.0495, rel=1e-3)
    assert found.text == f"{found.value} Hz"
    assert found.highest_by == "marginal band"


def test_how_many_nodes() -> None:
    """Six packets of 4.87 ms fit the jetty's line, seven do not."""
    found = solve(loader("jetty"), "node")
    assert (found.value, found.now) == (6, 4)
    assert found.limited_by == "bus load"


def test_how_many_windows() -> None:
    """Three of 168 slots are all that 512 slots hold from address 345 on."""
    found = solve(loader("dmx512"), "node")
    assert found.value == 3


def test_the_window_of_baud() -> None:
    """The ideal receiver hears what is within half a bit of nine and a half."""
    found = solve(loader("causeway"), "bus.baud_offset")
    assert found.highest == pytest.approx(1 / 19, abs=1e-5)
    assert found.lowest == pytest.approx(-1 / 19, abs=1e-5)
    assert found.limited_by == "baud error"


def test_from_a_value_that_does_not_fit() -> None:
    """The nearest range that does is found."""
    found = solve(loader("causeway", "output.clock=2 MHz"), "output.clock")
    assert found.highest is not None
    assert found.highest < 2_000_000
    assert found.highest_by == "marginal band"


def test_nothing_limits_it() -> None:
    """A quantity that nothing depends on has no end."""
    found = solve(loader("causeway"), "traffic.dither")
    assert found.lowest is None
    assert found.text == ""


@pytest.mark.parametrize("path", ["packet.framing", "nothing.here", "name", "output"])
def test_what_is_no_quantity(path: str) -> None:
    """Refused in one line."""
    with pytest.raises(UsageError, match="nothing to solve for"):
        solve(loader("causeway"), path)


def test_no_value_will_do() -> None:
    """Where something else is broken, that is said."""
    load = loader("causeway", "output.clock=2 MHz", "output.stop_latency=1 us")
    with pytest.raises(UsageError, match="something else has to give"):
        solve(load, "processor.rearrange.per_octet")
