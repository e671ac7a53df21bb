"""What became of the packets, mark by mark.

The judge of the trial counts over all of it and knows nothing of marks.  Here its
matcher looks at the same columns once more, and every packet is counted with the mark
after which it was sent, whenever it is decided: a packet that was on its way at a
change is the old values' and not the new ones'.  A burst that shows no packet of ours
counts where it was seen.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.judge.kept.history import History
from bench.judge.kept.terms import addressees_of, shares_of, unwrapping, window_of
from bench.judge.match import Matcher
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.base.columns import Line, Rows, Seen, Sent
    from bench.link.observes import Observes
    from bench.profile.model import Profile

WORDS = ("shown", "lost", "corrupt", "stray", "repeated", "out_of_order")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Packets to the nodes that were sent between two marks.

    Attributes:
        mark: Number of the mark at its beginning; 0: the beginning of the drive.
        offered: Packets.
        counts: For each of `WORDS` how many; None for what is not observable.
    """

    mark: int
    offered: int
    counts: dict[str, int | None]

    @property
    def open(self) -> int | None:
        """Packets that nothing is known of yet; None: nothing ever will be."""
        known = [self.counts[word] for word in ("shown", "lost", "corrupt")]
        if known[0] is None:
            return None
        return self.offered - sum(count or 0 for count in known)

    @property
    def bad(self) -> int:
        """What went wrong."""
        return sum(self.counts[word] or 0 for word in WORDS if word != "shown")

    def __add__(self, other: Stretch) -> Stretch:
        counts = {}
        for word in WORDS:
            one, two = self.counts[word], other.counts[word]
            counts[word] = None if one is None or two is None else one + two
        return Stretch(self.mark, self.offered + other.offered, counts)

    def as_dict(self) -> dict[str, int | None]:
        """For a ledger."""
        return {"offered": self.offered, **self.counts}


class Since:
    """Counts by marks, over one link."""

    def __init__(self, profile: Profile, observes: Observes, mark: int = 0) -> None:
        """Nothing sent.

        Args:
            profile: The profile, as the judge has it.
            observes: What the link can see of the nodes.
            mark: The last mark before.
        """
        self._observes = observes
        self._history = History(
            unwrapping(format_of(profile.packet)), shares_of(profile)
        )
        window = window_of(profile, observes)
        addressees = addressees_of(profile, observes)
        self._matcher = Matcher(addressees, self._history, window, observes.nodes)
        self._marks = [mark]
        self._places = [0]
        self._ends = [self._matcher.nodes["end"].copy()]
        self._counts = [dict.fromkeys(WORDS, 0)]
        self._pending: Any = None

    def mark(self, number: int) -> None:
        """Packets that come from here on are counted with this mark."""
        self._marks.append(number)
        self._places.append(self._history.rows.end)
        self._ends.append(self._matcher.nodes["end"].copy())
        self._counts.append(dict.fromkeys(WORDS, 0))

    def take(self, line: Line, sent: Sent, seen: Seen) -> None:
        """Count one chunk."""
        rows = self._history.add(line, sent)
        self._count(self._matcher.take(rows, seen))
        self._history.forget(self._matcher.floor_ns)

    def finish(self, until_ns: int) -> None:
        """What still waits is lost; see `bench.judge.judge.Judge.finish`."""
        self._count(self._matcher.finish(until_ns))
        self._pending = self._matcher.pending()

    def last(self) -> Stretch:
        """Since the last mark."""
        return self._stretch(len(self._marks) - 1)

    def stretches(self) -> Sequence[Stretch]:
        """From mark to mark."""
        return [self._stretch(k) for k in range(len(self._marks))]

    def _stretch(self, k: int) -> Stretch:
        seen = self._observes
        ends = [*self._ends, self._matcher.nodes["end"]]
        offered = ends[k + 1] - ends[k]
        if self._pending is not None and k == len(self._marks) - 1:
            offered = offered - np.minimum(offered, self._pending)
        told: dict[str, int | None] = {}
        for word, count in self._counts[k].items():
            visible = seen.shown and (seen.data or word in ("shown", "lost", "stray"))
            told[word] = count if visible else None
        return Stretch(self._marks[k], int(offered.sum()), told)

    def _count(self, outcomes: Rows) -> None:
        """Sort what was decided."""
        from bench.kernels.match import records as kinds

        plain = outcomes[outcomes["kind"] <= kinds.IS_CORRUPT]
        at = np.searchsorted(self._places, plain["sent"], "right") - 1
        for kind, word in (
            (kinds.IS_SHOWN, "shown"),
            (kinds.IS_LOST, "lost"),
            (kinds.IS_CORRUPT, "corrupt"),
        ):
            which, numbers = np.unique(at[plain["kind"] == kind], return_counts=True)
            for k, number in zip(which.tolist(), numbers.tolist(), strict=True):
                self._counts[k][word] += number
        for outcome in outcomes[outcomes["kind"] > kinds.IS_CORRUPT]:
            self._odd(int(outcome["kind"]), int(outcome["sent"]), int(outcome["other"]))

    def _odd(self, kind: int, sent: int, other: int) -> None:
        """One outcome that is no plain one."""
        from bench.kernels.match import records as kinds

        counts = self._of(sent)
        if kind == kinds.IS_STRAY:
            counts["stray"] += 1
        elif kind == kinds.IS_REPEATED:
            counts["repeated"] += 1
        elif kind == kinds.IS_LATER:
            counts["lost"] -= 1
            counts["shown"] += 1
            counts["out_of_order"] += 1
        elif kind == kinds.IS_MOVED:
            counts["corrupt"] += 1
            self._of(other)["corrupt"] -= 1

    def _of(self, place: int) -> dict[str, int]:
        """The counts of a packet; of none, those since the last mark."""
        if place < 0:
            return self._counts[-1]
        return self._counts[max(0, bisect_right(self._places, place) - 1)]
