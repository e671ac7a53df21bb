"""Log-linear bins in plain Python: 1024 to the octave, single nanoseconds below."""

from __future__ import annotations

STEPS = 1024
LIMIT_NS = 2**43


def place(value: int) -> int:
    """The bin of a time."""
    octave = 0
    while (value >> octave) >= 2 * STEPS:
        octave += 1
    return octave * STEPS + (value >> octave)


def add(values: list[int], counts: dict[int, int], beyond: list[int]) -> None:
    """Count times; `beyond`: below, above, least, greatest."""
    for value in values:
        if value < 0:
            beyond[0] += 1
        elif value >= LIMIT_NS:
            beyond[1] += 1
        else:
            counts[place(value)] = counts.get(place(value), 0) + 1
        beyond[2] = min(beyond[2], value)
        beyond[3] = max(beyond[3], value)
