"""Bad nodes: each is a good one that is wrong by a number.

    boards   the boards that they are made from, with short packets
    framing  wrong in how packets are told apart and examined
    timing   wrong in what the receiver and the processor do
    lights   wrong in what is shown
    bad      `BadNode`

This is the exam of the bench itself: every one has to be found, and no good one may be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.fuzz.zoo.bad import BadNode
from bench.fuzz.zoo.boards import board
from bench.fuzz.zoo.framing import FRAMING
from bench.fuzz.zoo.lights import LIGHTS
from bench.fuzz.zoo.timing import TIMING

if TYPE_CHECKING:
    from bench.profile.model import Profile

__all__ = ["BadNode", "bad_nodes"]

_ALL = (*FRAMING, *TIMING, *LIGHTS)


def bad_nodes(profile: Profile | None = None) -> tuple[BadNode, ...]:
    """The zoo: every bad node on the board that brings it out, or those of a profile.

    Args:
        profile: The profile that they are made from, as far as it has what they are
            wrong about; each one's own board unless stated.
    """
    made = [
        BadNode.of(animal, board(animal.board) if profile is None else profile)
        for animal in _ALL
    ]
    return tuple(bad for bad in made if bad is not None)
