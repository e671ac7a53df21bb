"""What a rule between fields is, and what it says when it is broken.

A rule looks at a profile and yields what is broken.  It speaks of values that it has
compared with each other, so it names the places of both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from bench.profile.model import Profile
from bench.profile.schema import Path

Said = str | Path
"""A piece of a sentence: words, or a path that stands for its place in the file."""


@dataclass(frozen=True, slots=True)
class Broken:
    """One broken rule.

    Attributes:
        path: Where the value stands that is to be mended.
        what: As in `Fault`.
        value: As in `Fault`.
        expected: As in `Fault`, in pieces.
        mend: As in `Fault`.
    """

    path: Path
    what: str
    value: str
    expected: tuple[Said, ...] = ()
    mend: str = ""


def broken(
    path: Path, what: str, value: object, *expected: Said, mend: str = ""
) -> Broken:
    """A broken rule, its sentence given in pieces."""
    return Broken(path, what, str(value), expected, mend)


Rule = Callable[[Profile], Iterator[Broken]]
"""A rule about the whole profile."""

NodeRule = Callable[[Profile, int], Iterator[Broken]]
"""A rule about one node, by its index."""
