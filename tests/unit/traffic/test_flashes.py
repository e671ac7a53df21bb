"""Flashes: the arithmetic of WCAG 2, against its own figures and a plain oracle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.traffic.flashes import general_flashes, red_flashes

if TYPE_CHECKING:
    from collections.abc import Sequence

S = 1_000_000_000


def linear(code: int) -> float:
    """Linear light of an 8-bit sRGB code (IEC 61966-2-1, as WCAG 2 cites it)."""
    s = code / 255
    return s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4


def flashes(levels: Sequence[float], period_ns: int = S // 1000) -> int:
    """General flashes of states that follow each other at a fixed rate."""
    times = period_ns * np.arange(len(levels) - 1, dtype=np.int64)
    return general_flashes(times, np.array(levels))


def square(states: int, low: float, high: float) -> list[float]:
    """A light that is low, then high and low in turn."""
    return [low if state % 2 == 0 else high for state in range(states)]


@pytest.mark.parametrize(("code", "count"), [(89, 0), (90, 3)])
def test_ten_per_cent(code: int, count: int) -> None:
    """Black to an sRGB grey is a flash from code 90 on.

    WCAG 2.x, general flash: 10 % or more of the maximum relative luminance; code 90 is
    the first grey whose luminance reaches 0.10 (recomputed from IEC 61966-2-1).
    """
    assert flashes(square(6, 0.0, linear(code))) == count


@pytest.mark.parametrize(("code", "count"), [(231, 3), (232, 0)])
def test_darker_below_eighty_per_cent(code: int, count: int) -> None:
    """White to an sRGB grey is a flash up to code 231.

    WCAG 2.x, general flash: the darker state below 0.80; code 232 is the first grey
    whose luminance reaches it.
    """
    assert flashes(square(6, linear(code), 1.0)) == count


def test_limits_are_exact() -> None:
    """Ten per cent counts, a darker state of exactly 0.80 does not."""
    assert flashes(square(6, 0.3, 0.4)) == 3
    assert flashes(square(6, 0.3, 0.399999)) == 0
    assert flashes(square(6, 0.8, 0.9)) == 0
    assert flashes(square(6, 0.799999, 0.9)) == 3


@pytest.mark.parametrize(("frames", "allowed"), [(20, False), (21, True)])
def test_period_above_a_third_of_a_second(frames: int, allowed: bool) -> None:
    """With a period of 1/3 s some second holds four flashes, with a longer one three.

    Derived from "not more than 3 flashes in any one-second period": with period p the
    worst second holds floor(1/p) + 1 changes of one direction, so p > 1/3 s.
    """
    times = np.array([k * frames * S // 120 for k in range(1, 40)], np.int64)
    levels = np.array(square(40, 0.0, 1.0))
    assert (general_flashes(times, levels) <= 3) is allowed


@pytest.mark.parametrize("hz", [1, 2, 3, 4, 10, 25, 60])
def test_square_wave(hz: int) -> None:
    """At f Hz the worst second, both ends included, holds f + 1 changes of one sign."""
    assert flashes(square(20 * hz, 0.0, 0.5), S // (2 * hz)) == hz + 1


def test_steps_add_up() -> None:
    """A rise in many steps is one change, small reversals in it or not."""
    up = [0.0, 0.05, 0.12, 0.1, 0.2, 0.15, 0.3]
    assert flashes(up) == 1
    assert flashes([*up, *reversed(up)]) == 1
    assert flashes([*up, *reversed(up), *up]) == 2


def test_slow_dimming_out_of_the_bright() -> None:
    """A fall out of the bright counts where it gets below 0.80, and only once."""
    assert flashes([1.0, 0.85, 0.81]) == 0
    assert flashes([1.0, 0.85, 0.79, 0.5, 0.4]) == 1
    assert flashes([1.0, 0.85, 0.95, 0.85, 0.95]) == 0


def test_nothing_changes() -> None:
    """A steady light, or none to look at, does not flash."""
    assert flashes([0.5] * 100) == 0
    assert flashes([0.5]) == 0


def longest_zigzag(levels: Sequence[int], step: int) -> int:
    """Most changes of at least a step, in turn up and down, among these states.

    By dynamic programming over all pairs of states, so not how the code does it.
    """
    up, down = [0] * len(levels), [0] * len(levels)
    for now, level in enumerate(levels):
        for before in range(now):
            if level - levels[before] >= step:
                up[now] = max(up[now], down[before] + 1)
            if levels[before] - level >= step:
                down[now] = max(down[now], up[before] + 1)
    return max([*up, *down])


@given(st.lists(st.integers(0, 79), min_size=1, max_size=60))
def test_as_many_changes_as_can_be_found(percent: list[int]) -> None:
    """No change is missed: as many as any choice of states in turn would show."""
    expected = -(-longest_zigzag(percent, 10) // 2)
    assert flashes([level / 100 for level in percent]) == expected


@given(
    st.lists(st.floats(0, 1), min_size=2, max_size=40),
    st.lists(st.integers(0, S), min_size=40, max_size=40),
    st.data(),
)
def test_states_may_be_repeated(
    levels: list[float], gaps: list[int], data: st.DataObject
) -> None:
    """Saying a state again later changes nothing."""
    times = np.cumsum(gaps[: len(levels) - 1])
    count = general_flashes(times, np.array(levels))
    at = data.draw(st.integers(1, len(levels) - 1))
    again_times = np.insert(times, at, times[at - 1])
    again = np.insert(np.array(levels), at, levels[at])
    assert general_flashes(again_times, again) == count


def red(red_light: float, others: float, count: int = 6) -> int:
    """Red flashes between dark and a colour, one red and two other channels."""
    light = np.array([0.0, red_light + others] * (count // 2))
    reds = np.array([0.0, red_light] * (count // 2))
    times = S // 1000 * np.arange(count - 1, dtype=np.int64)
    return red_flashes(times, light, reds, 1)


@pytest.mark.parametrize(
    ("red_light", "others", "count"),
    [
        (1.0, 0.0, 3),
        (0.0625, 0.0, 0),  # (R - G - B) x 320 is 20, not more
        (0.0626, 0.0, 3),
        (0.8, 0.2, 3),  # R / (R + G + B) is 0.8
        (0.79, 0.21, 0),
        (0.0, 1.0, 0),
        (0.1, 0.0, 3),
    ],
)
def test_saturated_red(red_light: float, others: float, count: int) -> None:
    """Red flashes by WCAG 2.0/2.1: share at least 0.8, change of more than 20/320."""
    assert red(red_light, others) == count


def test_red_against_another_colour() -> None:
    """One saturated state is enough: red in turn with white flashes red."""
    times = S // 1000 * np.arange(5, dtype=np.int64)
    light = np.array([3.0, 1.0] * 3)
    assert red_flashes(times, light, np.array([1.0] * 6), 1) == 3


def test_red_going_out() -> None:
    """Red that goes out counts by the state before."""
    assert red_flashes(np.array([0]), np.array([1.0, 0]), np.array([1.0, 0]), 1) == 1
    assert red_flashes(np.array([0]), np.array([2.0, 0]), np.array([1.5, 0]), 1) == 0


def test_oracle_by_hand() -> None:
    """The oracle itself, on sequences counted by hand."""
    cases: list[tuple[list[int], Any]] = [
        ([0], 0),
        ([0, 10], 1),
        ([0, 9, 18], 1),
        ([0, 10, 1, 11], 1),
        ([0, 10, 0, 10], 3),
    ]
    for levels, count in cases:
        assert longest_zigzag(levels, 10) == count
