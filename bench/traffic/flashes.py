"""Counting flashes by the definition of WCAG 2 (success criterion 2.3.1).

A general flash is a pair of opposing changes of relative luminance by 10 % of the
maximum or more, where the darker state is below 0.80.  A red flash is a pair of
opposing changes of R - G - B (negative values taken as zero) by more than 20/320, one
of the states a saturated red, R / (R + G + B) at least 0.8: the test of WCAG 2.0 and
2.1, since the one of 2.2 needs the colour of the emitters.

Changes in one direction add up; reversals smaller than a flash's step do not end them.
What is counted is the greatest number of changes of one direction in any second, both
of its ends included.  So a light that goes on and off may do so at periods above 1/3 s,
and not at 1/3 s.

The definition was drawn from screens.  A count within its limit proves nothing about a
bare light.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.grid import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Levels = NDArray[np.float64]
    Times = NDArray[np.int64]

FLASH_STEP = 0.1
FLASH_DARK = 0.8
RED_SHARE = 0.8
RED_STEP = 20 / 320
ROUNDING = 1e-12
"""A difference of two levels is off by less; a general flash counts if in doubt."""


def general_flashes(times: Times, level: Levels) -> int:
    """Most general flashes in any second.

    Args:
        times: When each state but the first began, in ns, ascending.
        level: Relative luminance of each state, 1.0 with everything at full.
    """

    def counts(before: int, after: int) -> bool:
        return bool(min(level[before], level[after]) < FLASH_DARK)

    return _most_changes(times, level, FLASH_STEP - ROUNDING, counts)


def red_flashes(times: Times, light: Levels, red: Levels, reds: int) -> int:
    """Most flashes of saturated red in any second.

    R is the mean of the red channels, G and B together the sum of all others for each
    red one.

    Args:
        times: When each state but the first began, in ns, ascending.
        light: Sum of the light of all channels in each state, each 1.0 at full.
        red: The same of the red channels.
        reds: How many channels are red.
    """
    excess = np.maximum(2 * red - light, 0.0) / reds
    saturated = (light > 0) & (red >= RED_SHARE * light)

    def counts(before: int, after: int) -> bool:
        return bool(saturated[before] or saturated[after])

    return _most_changes(times, excess, RED_STEP + ROUNDING, counts)


def _most_changes(
    times: Times, level: Levels, step: float, counts: Callable[[int, int], bool]
) -> int:
    """Most changes of one direction in any second.

    A change runs from an extreme; it is under way once it is a step long, and ends when
    one the other way is.  It is counted once, at the first state in it for which
    `counts` says so of the extreme and that state.
    """
    seen: dict[int, list[int]] = {1: [], -1: []}
    low = high = start = going = 0
    counted = True
    for now in range(1, len(level)):
        if level[now] < level[low]:
            low = now
        if level[now] > level[high]:
            high = now
        if going >= 0 and level[high] - level[now] >= step:
            going, start, low, counted = -1, high, now, False
        elif going <= 0 and level[now] - level[low] >= step:
            going, start, high, counted = 1, low, now, False
        if not counted and counts(start, now):
            seen[going].append(int(times[now - 1]))
            counted = True
    return max(_most_in_a_second(np.array(at, np.int64)) for at in seen.values())


def _most_in_a_second(at: Times) -> int:
    """Most of these instants in any second, both of its ends included."""
    until = np.searchsorted(at, at + NS_PER_S, side="right")
    return int((until - np.arange(at.size)).max(initial=0))
