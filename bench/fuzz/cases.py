"""One attack case, and how it is tried on any link.

A case is rows of integers (kind, place, value) and the seed and number that the good
traffic around it is drawn from; `bench.fuzz.attacks` says what they mean and lays them
on the line, `bench.fuzz.oracles` says what must not have come of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

import numpy as np

from bench.base.columns import Line, Seen, no_octets, no_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.base.columns import Rows
    from bench.fuzz.attacks import Attacks
    from bench.fuzz.attacks.laid import Laid
    from bench.fuzz.oracles import Breach
    from bench.link.link import Link

__all__ = ["AFTER", "FILL", "Case", "try_case"]

AFTER, FILL = 1, 2
"""Of `Case.around`: a good packet right after the attack; and what fills the line for
as long as a receiver may take to be itself again."""


@dataclass(frozen=True, slots=True)
class Case:
    """An attack among good traffic.

    Attributes:
        rows: int64 (n, 3): kind, place, value.
        seed: Of the campaign, for what is drawn.
        number: Of the case in it, likewise.
        before: Good packets that lead it.
        around: Which good traffic follows, `AFTER` and `FILL`; a last good packet, sent
            once the node has come to rest, always does.
    """

    rows: NDArray[np.int64]
    seed: int
    number: int
    before: int = 1
    around: int = AFTER | FILL

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Case) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)

    @property
    def _key(self) -> tuple[object, ...]:
        rows = tuple(map(tuple, self.rows.tolist()))
        return rows, self.seed, self.number, self.before, self.around


@runtime_checkable
class Resetting(Protocol):
    """A link whose nodes can be made to begin anew at an instant."""

    def reset(self, at_ns: int, nodes: Sequence[int] | None = None) -> None:
        """Let nodes begin anew, at the instant up to which the line was carried."""
        ...


def try_case(case: Case, attacks: Attacks, link: Link) -> list[Breach]:
    """Send one case over a link at rest, and say what must not have happened.

    A reset that the link cannot make is left out.

    Args:
        case: The case.
        attacks: Who lays it.
        link: A link whose trial time begins with this case.

    Raises:
        LinkError: If the link was lost.
    """
    from bench.fuzz.oracles import judge_case

    laid = attacks.lay(case)
    resets = laid.resets if isinstance(link, Resetting) else ()
    seen = []
    for chunk, at_ns in _steps(laid, resets, link.most_octets):
        seen.append(link.carry(chunk))
        if at_ns is not None and isinstance(link, Resetting):
            link.reset(at_ns, [laid.node])
    return judge_case(
        laid, _joined(seen), link.observes, resets=resets, health=link.evidence().void
    )


def _steps(
    laid: Laid, resets: Sequence[tuple[int, int]], most: int | None
) -> list[tuple[Line, int | None]]:
    """The line in chunks that end at resets, and are no longer than a link takes."""
    steps: list[tuple[Line, int | None]] = []
    total = len(laid.line.octets)
    ends: list[tuple[int, int | None]] = [*resets, (total, None)]
    first = 0
    for end, at_ns in ends:
        while most is not None and end - first > most:
            middle = first + most
            steps.append((laid.chunk(first, middle, int(laid.starts[middle])), None))
            first = middle
        until_ns = laid.line.until_ns if at_ns is None else at_ns
        steps.append((laid.chunk(first, end, until_ns), at_ns))
        first = end
    return steps


def _joined(parts: Sequence[Seen]) -> Seen:
    """What was seen in several chunks."""
    if not parts:
        empty = no_rows(np.dtype([]))
        return Seen(empty, no_octets(), empty, empty, 0)
    moved, shown = 0, []
    for part in parts:
        rows: Rows = part.shown.copy()
        rows["data_at"] += moved
        moved += len(part.data)
        shown.append(rows)
    return Seen(
        np.concatenate(shown),
        np.concatenate([part.data for part in parts]),
        np.concatenate([part.dropped for part in parts]),
        np.concatenate([part.lost for part in parts]),
        parts[-1].until_ns,
    )
