"""A profile as it is written, from which the profile of every point is made.

Points differ from it by overrides, each of which does what `--set` does.  It is kept as
plain tables: they go to other processes and into the ledger, and what comes back is the
same.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from fractions import Fraction
from math import floor
from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError, Fault, ProfileError
from bench.base.grid import NS_PER_S
from bench.base.units import FREQUENCY, SHARE, shown
from bench.profile.load import profile_of, read_tables
from bench.profile.overrides import overridden
from bench.profile.schema import SHARED
from bench.traffic.load import costs_of
from bench.trial.sweep.axes import LOAD, SEED
from bench.wire.checks import Check

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from bench.profile.model import Profile
    from bench.trial.sweep.axes import Axis

_RATE = "traffic.frame_rate"


@dataclass(frozen=True)
class Template:
    """A profile as it is written.

    Attributes:
        tables: As the file has them, overrides put in.
    """

    tables: dict[str, Any]

    @classmethod
    def of_file(cls, source: str | Path, overrides: Sequence[str] = ()) -> Template:
        """That of a shipped profile or a file.

        Raises:
            ProfileError: If it cannot be read, or has faults; all of them.
        """
        tables = read_tables(source)
        profile_of(tables, overrides, _check_octets)
        return cls(overridden(tables, overrides)[0].tables)

    @classmethod
    def of_profile(cls, profile: Profile, overrides: Sequence[str] = ()) -> Template:
        """That of a profile: what all nodes have in common is shared again."""
        tables = _shared_again(profile.dump())
        profile_of(tables, overrides, _check_octets)
        return cls(overridden(tables, overrides)[0].tables)

    def profile(self, sets: Sequence[str] = ()) -> Profile:
        """The profile with some values set.

        Raises:
            ProfileError: With every fault that it has.
        """
        return profile_of(self.tables, sets, _check_octets)

    def at(
        self, axes: Sequence[Axis], values: Sequence[str], seed: int
    ) -> tuple[Profile, int]:
        """The profile and the seed of one point.

        Args:
            axes: What is varied.
            values: The value of each of them.
            seed: Where none of them is the seed.

        Raises:
            ProfileError: If there is no such point.
        """
        sets, load = [], None
        for axis, value in zip(axes, values, strict=True):
            if axis.name == SEED:
                seed = _seed(value)
            elif axis.name == LOAD:
                load = value
            else:
                sets.append(axis.sets(value))
        profile = self.profile(sets)
        if load is not None:
            rate = _rate_for(profile, load)
            profile = self.profile([*sets, f"{_RATE}={FREQUENCY.text(rate)}"])
        return profile, seed


def _check_octets(name: str) -> int:
    return Check.named(name).size


def _seed(text: str) -> int:
    """A seed that is one.

    Raises:
        ProfileError: If it is none.
    """
    if not text.isascii() or not text.isdecimal() or int(text) >= 2**64:
        raise ProfileError(
            [Fault("not a seed", shown(text), "a whole number below 2^64", SEED)]
        )
    return int(text)


def _rate_for(profile: Profile, text: str) -> int:
    """The frame rate at which the bus is loaded that much, or as little less.

    Raises:
        ProfileError: If there is none.
    """
    try:
        load = Fraction(str(SHARE.parse(text, LOAD)))
    except BenchError as error:
        raise ProfileError([error.fault]) from error
    if profile.traffic.pacing == "flood":
        mend = "traffic.pacing = packed or timed"
        raise ProfileError(
            [Fault("the load of flood pacing is always 100 %", text, "", LOAD, mend)]
        )
    own = load - Fraction(str(profile.traffic.foreign.share))
    costs = costs_of(profile)
    rate = floor(own * NS_PER_S / costs.frame_ns())
    if rate < 1:
        least = costs.frame_ns() / NS_PER_S + load - own
        expected = f"at least {100 * float(least):.3g} %, one frame a second"
        raise ProfileError([Fault("load too small", text, expected, LOAD)])
    return rate


def _shared_again(tables: dict[str, Any]) -> dict[str, Any]:
    """Resolved tables, with what all nodes have in common laid under them again."""
    tables = deepcopy(tables)
    for key in SHARED:
        owns = [node[key] for node in tables["node"]]
        same = {
            word: value
            for word, value in owns[0].items()
            if all(word in own and own[word] == value for own in owns)
        }
        tables[key] = same
        for node in tables["node"]:
            own = {word: node[key][word] for word in node[key] if word not in same}
            del node[key]
            if own:
                node[key] = own
    return tables
