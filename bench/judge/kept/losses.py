"""Why packets were lost, and what most of the losses come down to.

What a node confesses of a packet's own characters explains it; of one that was only
never synced, what it confesses of the sync.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import Doing, Drop
from bench.judge.words import SYNC_MISSED, Why, Wording, code_of, doing_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.judge.causes import Evidence
    from bench.judge.kept.history import History

    Integers = NDArray[np.int64]

_NEVER_SYNCED = code_of(Why.NOT_KNOWN), code_of(Why.DROPPED, Drop.NOT_SYNCED)


class Losses:
    """The causes of losses, node by node.

    Attributes:
        sync: Which nodes show on a sync.
    """

    def __init__(
        self,
        history: History,
        evidence: Evidence,
        wording: Sequence[Wording],
        sync: NDArray[np.bool_],
    ) -> None:
        """Begin with none.

        Args:
            history: Where the packets lie.
            evidence: What nodes confess.
            wording: The words for each node.
            sync: Which nodes show on a sync.
        """
        self.sync = sync
        self._history = history
        self._evidence = evidence
        self._wording = wording
        self._counts: Counter[tuple[int, int]] = Counter()  # of (node, cause)

    def explain(self, node: int, places: Integers) -> Integers:
        """Causes of the loss of a node's packets, by their places."""
        codes = self._of(node, places)
        if not self.sync[node]:
            return codes
        which = np.flatnonzero(np.isin(codes, _NEVER_SYNCED))
        syncs = self._history.syncs(node, places[which])
        which, syncs = which[syncs >= 0], syncs[syncs >= 0]
        missed = self._of(node, syncs)
        known = missed > code_of(Why.NOT_KNOWN)
        codes[which[known]] = SYNC_MISSED + missed[known]
        return codes

    def count(self, node: int, code: int, count: int) -> str:
        """Count a cause, or with a negative number less of it; the cause in words."""
        self._counts[node, code] += count
        return self._wording[node].cause(code)

    def gives_first(self) -> str | None:
        """What to mend before all else, if most of what is lost comes down to it."""
        doings: Counter[Doing | None] = Counter()
        deaf: Counter[int] = Counter()
        for (node, code), count in self._counts.items():
            doings[doing_of(code)] += count
            if doing_of(code) == Doing.REARRANGING:
                deaf[node] += count
        most = doings.pop(Doing.REARRANGING, 0)
        if most <= max(doings.values(), default=0):
            return None
        worst = max(sorted(deaf), key=lambda node: deaf[node])
        return self._wording[worst].deaf()

    def _of(self, node: int, places: Integers) -> Integers:
        """Causes of the loss of packets, by what a node confesses of their spans."""
        rows = self._history.rows.view[places - self._history.rows.first]
        first = rows["first"]
        return self._evidence.explain(node, first, first + rows["octets"])
