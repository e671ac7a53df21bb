"""What went wrong, one dict each, with the octets that are needed to see it again.

Of each kind the first hundred are kept in full: what was expected and what was seen,
and the packets that were on the line just before.  After that they are only counted,
which is said once.  Whoever writes them down drains them from time to time.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.judge.kept.history import History

KEPT = 100
"""Anomalies of each kind in full detail: enough to see a pattern in, and little to
keep, at most some 40 kB each."""


class Anomalies:
    """The details of what went wrong, until they are drained."""

    def __init__(self, names: Sequence[str], history: History) -> None:
        """Begin with none.

        Args:
            names: Of the nodes, by their index.
            history: Where packets and their characters are.
        """
        self._names = names
        self._history = history
        self._told: Counter[str] = Counter()
        self._over: dict[str, bool] = {}  # kinds with more; whether that was said
        self._list: list[dict[str, Any]] = []

    def wanted(self, kind: str, count: int) -> int:
        """How many of so many more anomalies of a kind are told in detail."""
        left = max(0, KEPT - self._told[kind])
        if count > left and kind not in self._over:
            self._over[kind] = False
        return min(count, left)

    def tell(
        self,
        kind: str,
        node: int,
        ns: int,
        cause: str = "",
        place: int = -1,
        data: bytes | None = None,
        **more: Any,
    ) -> None:
        """Keep one anomaly.

        Args:
            kind: "lost", "corrupt", "stray" ...
            node: Index of the node.
            ns: When.
            cause: In words; "" where nothing is said.
            place: Of the packet that it is about in the history; -1 for none.
            data: What the node showed; None for nothing, or not observable.
            more: Further keys.
        """
        self._told[kind] += 1
        history = self._history
        own = place >= 0 and kind != "stray"
        expected = history.contents(place, node) if own else None
        self._list.append(
            {
                "kind": kind,
                "node": self._names[node],
                "ns": ns,
                "cause": cause,
                **history.identity(place),
                "expected": None if expected is None else expected.hex(),
                "seen": None if data is None else data.hex(),
                "before": history.before(place if own else history.ended_by(ns)),
                **more,
            }
        )

    def drain(self) -> list[dict[str, Any]]:
        """What was kept since the last call."""
        for kind, said in self._over.items():
            if not said:
                self._over[kind] = True
                note = f"the first {KEPT} are told in detail, the rest only counted"
                self._list.append({"kind": kind, "note": note})
        drained, self._list = self._list, []
        return drained
