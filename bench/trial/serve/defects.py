"""Ways in which served nodes can be made bad, so that a bench can be tried on them.

Each is a small wrapper: around what a board is, around what all boards hear, around
what one of them did, or around when it is told.  `named.py` has the table of them.
Defects are counted, never drawn: every nth means the same in every run.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.base.columns import Octets
    from bench.node.simulated import Played
    from bench.node.spec import NodeSpec


@dataclass(slots=True)
class Characters:
    """Characters on the wire, and what becomes of them on their way to the boards.

    Attributes:
        first: Place of the first of them on the wire.
        starts_ns: When each starts.
        octets: What each holds; may be changed.
        heard: Whether each is heard; may be changed.
    """

    first: int
    starts_ns: NDArray[np.int64]
    octets: Octets
    heard: NDArray[np.bool_]


class Defect:
    """A sound board; each defect changes something of it.

    Attributes:
        hears: Whether `hear` does anything.
        late_ns: How much later than it might a sighting is told.
    """

    hears = False
    late_ns = 0

    def boards(
        self, boards: Sequence[tuple[int, NodeSpec]]
    ) -> list[tuple[int, NodeSpec]]:
        """What the boards are, each with the index of the node as which it is told."""
        return list(boards)

    def hear(self, characters: Characters) -> None:
        """What the boards hear of the wire."""

    def did(self, node: int, played: Played) -> Played:
        """What a node did, in its own rows."""
        del node
        return played

    def reset_ns(self, after_ns: int) -> int | None:
        """When the nodes begin anew the next time after an instant."""
        del after_ns
        return None

    def begun_anew(self) -> None:
        """The nodes have begun anew."""


# --- what boards are ------------------------------------------------------------------


class NoCheck(Defect):
    """Boards that take a packet whatever its check says."""

    def boards(
        self, boards: Sequence[tuple[int, NodeSpec]]
    ) -> list[tuple[int, NodeSpec]]:
        """See `Defect`."""
        return [(index, _unchecked(spec)) for index, spec in boards]


class Foreign(Defect):
    """The first node shows what is for an address that is nobody's, too."""

    def __init__(self, address: int) -> None:
        self._address = address

    def boards(
        self, boards: Sequence[tuple[int, NodeSpec]]
    ) -> list[tuple[int, NodeSpec]]:
        """See `Defect`."""
        index, spec = boards[0]
        return [*boards, (index, replace(spec, address=self._address))]


def _unchecked(spec: NodeSpec) -> NodeSpec:
    layout = replace(spec.packet.layout, check=None)
    return replace(spec, packet=replace(spec.packet, layout=layout))


# --- what they hear -------------------------------------------------------------------

REST = 10
"""Deaf for a tenth of the time: enough is heard in between to see it recover."""


class Deaf(Defect):
    """All boards hear nothing for a while, again and again."""

    hears = True

    def __init__(self, ns: int) -> None:
        self._ns = ns

    def hear(self, characters: Characters) -> None:
        """See `Defect`."""
        phase = characters.starts_ns % (REST * self._ns)
        characters.heard &= phase < (REST - 1) * self._ns


class Misses(Defect):
    """Every nth character is not heard."""

    hears = True

    def __init__(self, every: int) -> None:
        self._every = every

    def hear(self, characters: Characters) -> None:
        """See `Defect`."""
        characters.heard[_every(characters.first, self._every)] = False


class Mishears(Defect):
    """One bit of every nth character is heard wrong."""

    hears = True

    def __init__(self, every: int) -> None:
        self._every = every

    def hear(self, characters: Characters) -> None:
        """See `Defect`."""
        characters.octets[_every(characters.first, self._every)] ^= 1


def _every(first: int, every: int) -> slice:
    """Of things counted from `first` on, each whose count from 1 divides by `every`."""
    return slice(every - 1 - first % every, None, every)


# --- what they do ---------------------------------------------------------------------


class Counted(Defect, ABC):
    """Something that befalls every nth burst of each node."""

    def __init__(self, every: int) -> None:
        self._every = every
        self._bursts: Counter[int] = Counter()

    def did(self, node: int, played: Played) -> Played:
        """See `Defect`."""
        first = self._bursts[node]
        self._bursts[node] += len(played.shown)
        struck = np.zeros(len(played.shown), np.bool_)
        struck[_every(first, self._every)] = True
        return self.strike(played, struck) if struck.any() else played

    @abstractmethod
    def strike(self, played: Played, struck: NDArray[np.bool_]) -> Played:
        """What becomes of the bursts that are struck."""


class Drops(Counted):
    """Not shown, and not a word of it."""

    def strike(self, played: Played, struck: NDArray[np.bool_]) -> Played:
        """See `Counted`."""
        return replace(played, shown=played.shown[~struck])


class Repeats(Counted):
    """Shown twice, at once."""

    def strike(self, played: Played, struck: NDArray[np.bool_]) -> Played:
        """See `Counted`."""
        return replace(played, shown=np.repeat(played.shown, 1 + struck))


class WrongBit(Counted):
    """One bit of what the chains hold is wrong."""

    def strike(self, played: Played, struck: NDArray[np.bool_]) -> Played:
        """See `Counted`."""
        data = played.data.copy()
        for row in played.shown[struck]:
            data[row["data_at"] + row["data_octets"] // 2] ^= 1
        return replace(played, data=data)


class ExtraClock(Counted):
    """A clock too many: every bit has moved one place, the last is there twice."""

    def __init__(self, every: int, lanes: int, *, msb_first: bool) -> None:
        super().__init__(every)
        self._lanes = lanes
        self._msb_first = msb_first

    def strike(self, played: Played, struck: NDArray[np.bool_]) -> Played:
        """See `Counted`."""
        shown, data = played.shown.copy(), played.data.copy()
        shown["clocks"][struck] += 1
        for row in shown[struck]:
            end = row["data_at"] + row["data_octets"]
            data[row["data_at"] : end] = self._moved(data[row["data_at"] : end])
        return replace(played, shown=shown, data=data)

    def _moved(self, data: Octets) -> Octets:
        order = "big" if self._msb_first else "little"
        lanes = data.reshape(self._lanes, -1)
        bits = np.unpackbits(lanes, axis=1, bitorder=order)  # type: ignore[call-overload]
        bits[:, :-1] = bits[:, 1:].copy()
        return np.packbits(bits, axis=1, bitorder=order).reshape(-1)  # type: ignore[call-overload, no-any-return]


class Wedges(Defect):
    """After so many bursts a node does nothing more, until it begins anew."""

    def __init__(self, after: int) -> None:
        self._after = after
        self._bursts: Counter[int] = Counter()

    def did(self, node: int, played: Played) -> Played:
        """See `Defect`."""
        left = max(0, self._after - self._bursts[node])
        self._bursts[node] += len(played.shown)
        if left >= len(played.shown) and left:
            return played
        return replace(
            played,
            shown=played.shown[:left],
            dropped=played.dropped[:0],
            lost=played.lost[:0],
        )

    def begun_anew(self) -> None:
        """See `Defect`."""
        self._bursts.clear()


# --- when -----------------------------------------------------------------------------


class Resets(Defect):
    """All nodes begin anew, again and again."""

    def __init__(self, every_ns: int) -> None:
        self._every_ns = every_ns

    def reset_ns(self, after_ns: int) -> int:
        """See `Defect`."""
        return (after_ns // self._every_ns + 1) * self._every_ns


class LateLines(Defect):
    """What is sighted is told late."""

    def __init__(self, late_ns: int) -> None:
        self.late_ns = late_ns
