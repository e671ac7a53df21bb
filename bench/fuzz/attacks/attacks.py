"""`Attacks`: draws the cases of one profile, lays them, and tells them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.errors import Fault, UsageError
from bench.fuzz.attacks.kinds import KINDS, Kind
from bench.fuzz.attacks.plan import Ground, ground_of
from bench.fuzz.attacks.ranges import Range, ranges_of
from bench.fuzz.attacks.told import told
from bench.fuzz.cases import AFTER, FILL, Case

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from bench.fuzz.attacks.laid import Laid
    from bench.profile.model import Profile

__all__ = ["Attacks"]


class Attacks:
    """The attacks on one node of a profile.

    Attributes:
        ground: The node, and what follows from its profile.
        kinds: The attacks that the profile allows.
        ranges: Where their numbers come from, by number of the kind.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        node: int = 0,
        weights: Mapping[int, int] | None = None,
    ) -> None:
        """Prepare.

        Args:
            profile: The profile.
            node: Index of the node under attack.
            weights: How often attacks are drawn, by number of the kind; see
                `bench.fuzz.steer`.

        Raises:
            ProfileError: If the profile leaves nothing that could be judged.
            UsageError: If there is no such node.
        """
        self.ground: Ground = ground_of(profile, node)
        self.ranges: dict[int, Range] = {
            number: replace(one, weight=(weights or {}).get(number, one.weight))
            for number, one in ranges_of(self.ground).items()
        }
        self.kinds: tuple[Kind, ...] = tuple(KINDS[number] for number in self.ranges)
        self._drawn: tuple[NDArray[Any], NDArray[np.int64]] | None = None

    # --- drawn

    def draw(
        self, seed: int, first: int, count: int, *, only: Sequence[str] = ()
    ) -> list[Case]:
        """Cases first, first + 1, … of a campaign.

        Args:
            seed: Of the campaign.
            first: Number of the first.
            count: How many.
            only: Names of the attacks that are drawn; all unless stated.
        """
        cases, rows = self.columns(seed, first, count, only=only)
        return [
            Case(rows[at : at + many].copy(), seed, number, around=around)
            for number, at, many, around in zip(
                *(cases[key].tolist() for key in ("number", "first", "rows", "around")),
                strict=True,
            )
        ]

    def columns(
        self, seed: int, first: int, count: int, *, only: Sequence[str] = ()
    ) -> tuple[NDArray[Any], NDArray[np.int64]]:
        """The same as columns: `CASE` rows, and the rows of all of them."""
        from bench.fuzz.attacks.bench import key_of
        from bench.kernels.fuzz import records
        from bench.kernels.fuzz.draw import MOST_ROWS, draw_cases

        kinds, specials = self._kind_rows()
        cases = np.zeros(count, records.CASE)
        cases["around"] = AFTER | FILL
        rows = np.zeros((MOST_ROWS * count, 3), np.int64)
        table = self._table(only)
        key = key_of(seed, "choices")
        used = draw_cases(key, np.int64(first), kinds, table, specials, cases, rows)
        return cases, rows[:used]

    def _table(self, only: Sequence[str]) -> NDArray[np.int64]:
        """Attacks as often as they are drawn."""
        known = {kind.name: kind.number for kind in self.kinds}
        for name in only:
            if name not in known:
                expected = "one of " + ", ".join(sorted(known))
                raise UsageError(Fault("no such attack", name, expected, "attack"))
        wanted = [known[name] for name in only] or list(self.ranges)
        weights = [self.ranges[number].weight for number in wanted]
        return np.repeat(np.array(wanted, np.int64), weights)

    def _kind_rows(self) -> tuple[NDArray[Any], NDArray[np.int64]]:
        """`KIND` rows of all attacks, and their special values."""
        if self._drawn is not None:
            return self._drawn
        from bench.kernels.fuzz import records

        kinds = np.zeros(len(KINDS), records.KIND)
        kinds["places"] = 1
        specials: list[int] = []
        for number, one in self.ranges.items():
            row = kinds[number]
            row["places"], row["least"], row["most"] = one.places, one.least, one.most
            row["first_special"], row["specials"] = len(specials), len(one.specials)
            specials += one.specials
        self._drawn = kinds, np.array(specials or [0], np.int64)
        return self._drawn

    # --- laid

    def lay(self, case: Case) -> Laid:
        """Put one case on the line, by itself.

        Raises:
            UsageError: If a row is of no attack that this profile allows.
        """
        from bench.fuzz.attacks.bench import Bench

        self.check(case)
        return Bench(self.ground, case.seed).lay_one(case)

    def check(self, case: Case) -> None:
        """Refuse rows that mean nothing here.

        Raises:
            UsageError: If there are any.
        """
        for kind, place, value in case.rows.tolist():
            if kind not in self.ranges:
                name = KINDS[kind].name if 0 <= kind < len(KINDS) else str(kind)
                what = "this profile has no such attack"
                expected = "one of " + ", ".join(one.name for one in self.kinds)
                raise UsageError(Fault(what, name, expected, "case"))
            if not (0 <= place < 1 << 40 and 0 <= value < 1 << 62):
                expected = "a place below 2^40 and a value below 2^62, none negative"
                text = f"{KINDS[kind].name} {place} {value}"
                raise UsageError(Fault("a row cannot be laid", text, expected, "case"))

    # --- told, and made smaller

    def told(self, case: Case) -> list[str]:
        """What is sent, line by line, in words and in octets."""
        return told(self.lay(case))

    def simplest(self, kind: int) -> tuple[int, int]:
        """The simplest place and value of an attack."""
        one = self.ranges.get(kind)
        simple = KINDS[kind].simplest
        return 0, simple if one is None else min(max(simple, one.least), one.most)

    def around(self, case: Case) -> Iterator[Case]:
        """The case with less good traffic around it, the least first."""
        for before in range(min(case.before, 2)):
            for around in (0, AFTER, FILL, AFTER | FILL):
                if around & ~case.around == 0:
                    yield replace(case, before=before, around=around)
        for around in (0, AFTER, FILL):
            if around & ~case.around == 0 and around != case.around:
                yield replace(case, around=around)
