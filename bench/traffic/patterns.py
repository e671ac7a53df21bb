"""Payload patterns: the one place where a new one is added.

A pattern is a name, one line that says what it is, and a function from a `Case` (what
it may depend on) to a `Recipe` (how the kernel makes it).  Many patterns are a table of
octets and how far to move on in it from packet to packet: such a one needs an entry in
`PATTERNS` and nothing else.

A name that is none of theirs may be a pattern by channel, `lane 3, device 7, red, dim`:
see `bench.traffic.by_channel`.

Payloads differ from packet to packet wherever the pattern allows it, since packets with
identical contents cannot be told apart by what a node shows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import IntEnum
from itertools import accumulate
from typing import TYPE_CHECKING

import numpy as np

from bench.base.errors import Fault, ProfileError
from bench.base.units import shown
from bench.traffic.by_channel import lit_by, words_of
from bench.wire.format import Delimiter, Stuffing

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from bench.profile.model import Profile
    from bench.wire.format import Format

__all__ = [
    "PATTERNS",
    "Case",
    "Kind",
    "Pattern",
    "Recipe",
    "recipe_of",
    "stuffed_share",
]


class Kind(IntEnum):
    """How payloads are made; the numbers are those of `bench.kernels.payload`."""

    RANDOM = 0
    TABLE = 1
    WALK = 2
    BITS = 3
    MARKS = 4
    PRBS = 5
    TURNS = 6


@dataclass(frozen=True, slots=True)
class Case:
    """What a pattern may depend on.

    Attributes:
        name: The pattern as the profile names it.
        format: The packet format.
        sizes: Octets of payload, one a node.
        recording: uint8 of shape (frames, nodes, payload) or flat; None without one.
        profile: Whose channels a pattern may speak of; None: of none.
    """

    name: str
    format: Format
    sizes: tuple[int, ...]
    recording: NDArray[np.uint8] | None = None
    profile: Profile | None = None


_NO_CHANGES = np.zeros((0, 4), np.int64)


@dataclass(frozen=True, slots=True)
class Recipe:
    """How payloads are made; see `bench.kernels.payload.RULE` for each kind.

    Attributes:
        kind: The rule.
        table: uint8; what TABLE, BITS, MARKS and TURNS take octets from.
        frame_step: TABLE: how far a frame moves on.
        steps: TABLE, WALK, TURNS: how far on each node is, the broadcast packet last.
        stages: PRBS: stages of the register.
        tap: PRBS: the other stage that is fed back.
        inverted: PRBS: whether the output is.
        hold: TURNS: frames that a turn lasts.
        turns: TURNS: how many there are.
        changes: TURNS: see `bench.traffic.by_channel.Lit`.
    """

    kind: Kind
    table: NDArray[np.uint8]
    frame_step: int = 0
    steps: tuple[int, ...] = ()
    stages: int = 0
    tap: int = 0
    inverted: bool = False
    hold: int = 1
    turns: int = 1
    changes: NDArray[np.int64] = field(default_factory=lambda: _NO_CHANGES)


@dataclass(frozen=True, slots=True)
class Pattern:
    """One entry of the registry.

    Attributes:
        name: What a profile names it.
        line: What it is, in one line.
        make: Its recipe for a case.
    """

    name: str
    line: str
    make: Callable[[Case], Recipe]


# --- the patterns ---------------------------------------------------------------------


def _octets(*values: int) -> NDArray[np.uint8]:
    return np.array(values, np.uint8)


def _by_number(case: Case, table: NDArray[np.uint8]) -> Recipe:
    """A table that every packet begins one octet further on."""
    nodes = len(case.sizes)
    # A broadcast packet begins half a table on, so that it is like no packet near it.
    steps = (*range(nodes), len(table) // 2)
    return Recipe(Kind.TABLE, table, nodes, steps)


def _random(case: Case) -> Recipe:  # noqa: ARG001 (every pattern is given its case)
    return Recipe(Kind.RANDOM, _octets(0))


def _ramp(case: Case) -> Recipe:
    return _by_number(case, np.arange(256, dtype=np.uint8))


def _walking_one(case: Case) -> Recipe:
    half = 4 * case.sizes[0]  # the bits of half a payload: not near any node's
    return Recipe(Kind.WALK, _octets(0), steps=(*range(len(case.sizes)), half))


def _checkerboard(case: Case) -> Recipe:
    # By frame and node, not by number: with an even number of nodes every node would
    # otherwise be sent the same payload for ever.
    return Recipe(Kind.TABLE, _octets(0x55, 0xAA), 1, tuple(range(len(case.sizes) + 1)))


def _constant(case: Case) -> Recipe:
    value = int(case.name.rpartition("-")[2], 16)
    return Recipe(Kind.TABLE, _octets(value), 0, (0,) * (len(case.sizes) + 1))


def _worst_stuffing(case: Case) -> Recipe:
    delimiting, unstuffing = case.format.delimiting, case.format.unstuffing
    if unstuffing.kind == Stuffing.COBS:
        return _by_number(case, np.arange(1, 256, dtype=np.uint8))
    if unstuffing.kind in (Stuffing.ESCAPE, Stuffing.FLIP):
        return Recipe(Kind.BITS, _octets(delimiting.octets[0], unstuffing.escape))
    if delimiting.kind == Delimiter.MARKER:
        return Recipe(Kind.MARKS, _octets(*delimiting.octets))
    return _ramp(case)  # nothing is ever replaced


def _prbs(stages: int, tap: int, inverted: bool) -> Callable[[Case], Recipe]:
    def make(case: Case) -> Recipe:  # noqa: ARG001
        return Recipe(Kind.PRBS, _octets(0), stages=stages, tap=tap, inverted=inverted)

    return make


def _play(case: Case) -> Recipe:
    recording = case.recording
    if recording is None or recording.size == 0:
        fault = Fault(
            "pattern without a recording",
            case.name,
            "recorded frames",
            "traffic.pattern",
        )
        raise ProfileError([fault])
    if recording.ndim != 1 and recording.shape[1:] != _shape(case):
        fault = Fault(
            "recorded frames do not fit the nodes",
            " x ".join(str(size) for size in recording.shape[1:]),
            f"{len(case.sizes)} nodes x {case.sizes[0]} octets of payload",
            "traffic.pattern",
        )
        raise ProfileError([fault])
    starts = (0, *accumulate(case.sizes))
    steps = (*starts[:-1], 0)  # a broadcast packet holds what the frame begins with
    return Recipe(Kind.TABLE, recording.reshape(-1), starts[-1], steps)


def _shape(case: Case) -> tuple[int, int]:
    """Nodes and payload of a recording in frames; -1: the payloads differ."""
    size = case.sizes[0] if len(set(case.sizes)) == 1 else -1
    return len(case.sizes), size


PATTERNS = (
    Pattern("random", "every octet drawn, no two packets alike", _random),
    Pattern("ramp", "octets count up, each packet begins one further on", _ramp),
    Pattern("walking-one", "one set bit that moves on by one each frame", _walking_one),
    Pattern("checkerboard", "55h and AAh in turn, inverted every frame", _checkerboard),
    Pattern("constant-XX", "one octet over and over, XX in hexadecimal", _constant),
    Pattern(
        "worst-stuffing",
        "costs the most characters that the framing allows",
        _worst_stuffing,
    ),
    Pattern("prbs9", "ITU-T O.150 sequence of 511 bits", _prbs(9, 5, False)),
    Pattern("prbs15", "ITU-T O.150 sequence of 32,767 bits", _prbs(15, 14, True)),
    Pattern("prbs23", "ITU-T O.150 sequence of 8,388,607 bits", _prbs(23, 18, True)),
    Pattern(
        "prbs31", "ITU-T O.150 sequence of 2,147,483,647 bits", _prbs(31, 28, True)
    ),
    Pattern("play", "recorded frames, over and over", _play),
)
"""Every pattern, in the order in which they are listed."""


# --- looked up ------------------------------------------------------------------------


def _matches(pattern: Pattern, name: str) -> bool:
    """Whether a name is the pattern's; XX in a pattern's name is any octet."""
    stem, parameter, _ = pattern.name.partition("XX")
    if not parameter:
        return name == pattern.name
    return re.fullmatch(re.escape(stem) + "[0-9A-Fa-f]{2}", name) is not None


def recipe_of(case: Case) -> Recipe:
    """The recipe of the pattern that a case names.

    Raises:
        ProfileError: If there is no such pattern, or if it cannot be made.
    """
    for pattern in PATTERNS:
        if _matches(pattern, case.name):
            return pattern.make(case)
    names = [pattern.name for pattern in PATTERNS]
    expected = f"one of {', '.join(names)}"
    if case.profile is not None:
        words = words_of(case.profile)
        if words.speak(case.name):
            return _by_channel(case.name, case.profile)
        names += words.singles
        expected += ", or channels as in `lane 0, device 0, dim`"
    near = get_close_matches(case.name, names, n=1)
    mend = f"did you mean {near[0]}?" if near else ""
    name = shown(case.name)
    fault = Fault("unknown pattern", name, expected, "traffic.pattern", mend)
    raise ProfileError([fault])


def _by_channel(text: str, profile: Profile) -> Recipe:
    """The recipe of a pattern by channel."""
    lit = lit_by(text, profile)
    if not len(lit.changes):
        return Recipe(Kind.TABLE, lit.table, steps=lit.starts)
    return Recipe(
        Kind.TURNS,
        lit.table,
        steps=lit.starts,
        hold=lit.hold,
        turns=lit.turns,
        changes=lit.changes,
    )


def stuffed_share(recipe: Recipe, format: Format) -> float:  # noqa: A002
    """Share of the payload's octets that are replaced by two on the line."""
    unstuffing = format.unstuffing
    if unstuffing.kind == Stuffing.ESCAPE:
        replaced = [octet for _, octet in unstuffing.pairs]
    elif unstuffing.kind == Stuffing.FLIP:
        replaced = list(unstuffing.flipped)
    else:
        return 0.0
    if recipe.kind in (Kind.RANDOM, Kind.PRBS):
        return len(replaced) / 256
    held = np.isin(recipe.table, replaced)
    if recipe.kind != Kind.TURNS:
        return float(held.mean())
    _, place, at, octet = recipe.changes[recipe.changes[:, 1] < len(recipe.steps) - 1].T
    now = np.isin(octet, replaced)
    before = held[np.array(recipe.steps)[place] + at]
    more = (int(now.sum()) - int(before.sum())) / recipe.turns
    return (int(held.sum()) + more) / len(held)
