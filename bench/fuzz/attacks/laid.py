"""A case on the line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, To

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.base.columns import Rows
    from bench.fuzz.attacks.plan import Ground
    from bench.fuzz.cases import Case

__all__ = ["Laid"]


@dataclass(frozen=True, slots=True)
class Laid:
    """A case on the line, by itself.

    Attributes:
        case: The case.
        ground: The node, and what follows from its profile.
        line: All characters, in one chunk, up to where the node is at rest again.
        starts: int64, when each of them starts.
        pieces: `SENT` rows of `bench.kernels.fuzz.records`, one a piece.
        payload: uint8; what good packets carry.
        resets: (place of the first character after it, instant), ascending.
        attack_ns: When the attack begins.
        good_ns: When it is over, and the line is good again.
        from_ns: From when on every good packet has to be shown: the recovery bound.
    """

    case: Case
    ground: Ground
    line: Line
    starts: NDArray[np.int64]
    pieces: NDArray[Any]
    payload: NDArray[np.uint8]
    resets: tuple[tuple[int, int], ...]
    attack_ns: int
    good_ns: int
    from_ns: int

    @property
    def node(self) -> int:
        """Index of the node under attack."""
        return self.ground.node

    @property
    def good(self) -> NDArray[Any]:
        """The pieces that are sound packets which the node is to show."""
        return self.pieces[self.pieces["payload_octets"] > 0]

    @property
    def must(self) -> NDArray[Any]:
        """Those of them that come once the recovery bound has passed."""
        return self.good[self.good["start_ns"] >= self.from_ns]

    @property
    def sent(self) -> Sent:
        """The pieces as packets of a schedule; only good ones have a payload."""
        rows = np.zeros(len(self.pieces), SENT)
        for name in ("first", "octets", "start_ns", "last_bit_ns", "address"):
            rows[name] = self.pieces[name]
        rows["packet"] = np.arange(len(rows))
        rows["frame"] = -1
        good = self.pieces["payload_octets"] > 0
        rows["payload_at"] = np.where(good, self.pieces["payload_at"], -1)
        rows["payload_octets"] = self.pieces["payload_octets"]
        everyone = self.pieces["own"] == 2
        to = np.where(everyone, int(To.EVERY_NODE), self.node)
        rows["to"] = np.where(good, to, int(To.FOREIGN))
        return Sent(rows, self.payload)

    def chunk(self, first: int, end: int, until_ns: int) -> Line:
        """Some of its characters as a chunk of the line."""
        line = self.line
        runs = _runs(line.runs, first, end, self.ground)
        flaws = line.flaws[(line.flaws["at"] >= first) & (line.flaws["at"] < end)]
        moved = np.zeros(len(flaws), FLAW)
        for name in FLAW.names or ():
            moved[name] = flaws[name]
        moved["at"] -= first
        return Line(line.octets[first:end].copy(), runs, moved, first, until_ns)


def _runs(runs: Rows, first: int, end: int, ground: Ground) -> Rows:
    """The runs of some characters."""
    if first >= end:
        return np.zeros(0, RUN)
    low = int(np.searchsorted(runs["first"], first, "right")) - 1
    high = int(np.searchsorted(runs["first"], end))
    taken = runs[low:high].copy()
    steps = first - int(taken[0]["first"])
    pitch = ground.profile.bus.pitch
    start = pitch.after(steps, int(taken[0]["start_ns"]), int(taken[0]["start_rem"]))
    taken["first"] -= first
    taken[0] = (0, *start)
    return taken
