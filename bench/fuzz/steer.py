"""Attacks that lead where few others do are drawn more often.

Where a receiver was is told by turns: what became of a packet after what became of the
one before, sound, foreign, or bad for each reason.  A survey plays some cases of each
attack by itself on the simulated node as it should be; an attack weighs the more the
rarer the turns are that it takes.  The survey depends on the profile and the seed and
on nothing else, so that a steered campaign repeats exactly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.fuzz.attacks import Attacks
from bench.fuzz.batch import Batch

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["steered", "surveyed"]

_CASES = 128
"""Cases of each attack in a survey."""

_MOST = 4
"""How many times as often as before an attack is drawn at most."""


def surveyed(attacks: Attacks, seed: int) -> dict[int, NDArray[np.float64]]:
    """How often each attack takes each turn, by number of the kind."""
    taken = {}
    for kind in attacks.kinds:
        ran = Batch(attacks, only=[kind.name], threads=1).run(seed, 0, _CASES)
        taken[kind.number] = ran.turns.reshape(-1) / max(1, ran.cases)
    return taken


def steered(attacks: Attacks, seed: int) -> Attacks:
    """The same attacks, drawn by where they lead.

    Args:
        attacks: The attacks.
        seed: Of the campaign.
    """
    taken = surveyed(attacks, seed)
    turns = np.stack(list(taken.values())) > 0
    reached = turns.sum(axis=0)
    # A turn that one attack alone takes counts one, one that all take next to nothing.
    worth = np.divide(1.0, reached, out=np.zeros(len(reached)), where=reached > 0)
    scores = turns @ worth
    mean = scores.mean() or 1.0
    weights = {}
    for number, score in zip(taken, scores.tolist(), strict=True):
        times = min(_MOST, 0.5 + score / mean / 2)
        weights[number] = max(1, round(attacks.ranges[number].weight * times))
    ground = attacks.ground
    return Attacks(ground.profile, node=ground.node, weights=weights)
