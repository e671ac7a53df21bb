"""Plain twin of the pseudo-random sequences of ITU-T O.150 (05/96): a bit at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

SEQUENCES = {
    "prbs9": (9, 5, False),
    "prbs15": (15, 14, True),
    "prbs23": (23, 18, True),
    "prbs31": (31, 28, True),
}
"""Stages, the other stage that is fed back, whether the output is inverted."""


def bits(stages: int, tap: int, inverted: bool) -> Iterator[int]:
    """The sequence from a register of all ones: the output is the last stage."""
    register = [1] * stages
    while True:
        yield register[-1] ^ inverted
        register = [register[tap - 1] ^ register[-1], *register[:-1]]


def octets(name: str) -> Iterator[int]:
    """The sequence in octets, the first bit lowest."""
    sequence = bits(*SEQUENCES[name])
    while True:
        yield sum(next(sequence) << k for k in range(8))
