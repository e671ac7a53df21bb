"""A clock at the far end of a link: it begins with the first character that came there.

Where the plan stood still, since the host was held up, the far clock went on.  An
instant of it is put on the trial by what the plan had been moved by then; whatever
happened while it stood still is at the one instant at which it did.
"""

from __future__ import annotations

from bisect import bisect_right


class FarClock:
    """Puts instants of a far clock on the trial.

    Attributes:
        origin_ns: Instant of the trial at which it began; None before.
    """

    def __init__(self) -> None:
        self.origin_ns: int | None = None
        self._from_ns: list[int] = []  # of the far clock, ascending
        self._moved_ns: list[int] = [0]  # in all, up to each and after the last

    def begin(self, at_ns: int) -> None:
        """It begins, at an instant of the trial."""
        self.origin_ns = at_ns
        self._from_ns, self._moved_ns = [], [0]

    def moved(self, ns: int, at_ns: int) -> None:
        """The plan stood still for so long at an instant of the trial."""
        if self.origin_ns is None:
            return
        before_ns = self._moved_ns[-1]
        self._from_ns.append(at_ns - self.origin_ns + before_ns)
        self._moved_ns.append(before_ns + ns)

    def trial_ns(self, far_ns: int) -> int:
        """Instant of the trial of one of the far clock."""
        stops = bisect_right(self._from_ns, far_ns)
        ns = far_ns - self._moved_ns[stops]
        if stops:
            stood_ns = self._from_ns[stops - 1] - self._moved_ns[stops - 1]
            ns = max(ns, stood_ns)
        return (self.origin_ns or 0) + ns
