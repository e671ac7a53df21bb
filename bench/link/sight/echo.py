"""The bench hears itself: what comes back of what it sent, and what does not.

On a two-wire bus an adapter that listens while it sends returns every character.  Here
what is heard is compared octet by octet with what was sent, run by run; only what
matches is taken away, and the rest is left for whoever looks for answers in it.  That
is evidence about the bench, never about a node:

* *collision*: an octet came back changed, those around it did not.
* *first octets lost*: the echo began late; the adapter turned round too slowly.
* *overrun*: octets are missing from the middle or the end; the adapter or the system
  lost them.
* *missing*: nothing of a run came back.  An echo of which at most half matched, unless
  it began as the run does, is none: a node's answer often looks like the request.

A run is decided when all of it is back, or by its deadline, a stated time after its
last bit, at which only what had been heard until then counts.  So nothing depends on
how the octets were cut into reads.  `heard` only stores; `rest` decides.  At the very
end of a run changed octets and missing ones that an answer follows look the same; they
are counted as changed, and either way nothing of the answer is taken.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from bench.link.evidence import Evidence

if TYPE_CHECKING:
    from collections.abc import Sequence

_AHEAD = 4
"""Octets that must match again after a difference, where the run still has so many."""

_LOOKED_FOR = 8
"""Octets that tell a run, at its beginning or further on where it did not come at once.
"""

_SPREAD = 8
"""Most octets in a row that a collision changes; more are no echo."""


@dataclass(slots=True)
class EchoCounts:
    """What came back.

    Attributes:
        runs: Runs whose echo was decided.
        octets: Octets in them.
        verified: Octets that came back as they were sent.
        missing: Runs of which nothing came back.
        collisions: Octets that came back changed.
        collided: Runs with some of those.
        late: Runs whose first octets are missing.
        late_octets: How many those are.
        overruns: Octets missing elsewhere.
        overrun: Runs with some of those.
    """

    runs: int = 0
    octets: int = 0
    verified: int = 0
    missing: int = 0
    collisions: int = 0
    collided: int = 0
    late: int = 0
    late_octets: int = 0
    overruns: int = 0
    overrun: int = 0

    def as_dict(self) -> dict[str, Any]:
        """Strict JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(slots=True)
class _Run:
    """Octets that were sent without a gap, or the part of them in one chunk."""

    octets: bytes
    start_ns: int
    deadline_ns: int


@dataclass(slots=True)
class _Alignment:
    """How heard octets lie on a run.

    Attributes:
        used: Octets heard that belong to it, changed ones included.
        matched: Those that are as they were sent.
        changed: Indexes, among the octets heard, of changed ones.
        late: Octets of the run that are missing at its start.
        gone: Octets that are missing elsewhere.
    """

    used: int = 0
    matched: int = 0
    changed: list[int] = field(default_factory=list)
    late: int = 0
    gone: int = 0


class Echo:
    """Takes the echo away from what is heard.

    Attributes:
        counts: What came back so far.
    """

    def __init__(self, window_ns: int) -> None:
        """Nothing sent, nothing heard.

        Args:
            window_ns: An octet of a run that is not back so long after the run's last
                bit never comes.
        """
        self._window_ns = window_ns
        self._runs: deque[_Run] = deque()
        self._octets = bytearray()
        self._at_ns: deque[int] = deque()
        self.counts = EchoCounts()

    def sent(self, octets: bytes, start_ns: int, end_ns: int) -> None:
        """Octets are put on the bus without a gap; runs come in order of time.

        Args:
            octets: What is sent.
            start_ns: First start bit.
            end_ns: End of the last bit.
        """
        if octets:
            self._runs.append(_Run(octets, start_ns, end_ns + self._window_ns))

    def heard(self, octets: bytes, at_ns: int) -> None:
        """Octets came in; `at_ns` never goes back."""
        self._octets += octets
        self._at_ns.extend([at_ns] * len(octets))

    def rest(self, until_ns: int) -> list[tuple[int, int]]:
        """What is no echo: octets and their instants, in order.

        Args:
            until_ns: Everything that was heard before this instant was handed in.
        """
        left: list[tuple[int, int]] = []
        while self._runs:
            self._leave(left, self._before(self._runs[0].start_ns))
            if not self._decide(self._runs[0], until_ns, left):
                return left
            self._runs.popleft()
        self._leave(left, len(self._octets))
        return left

    def evidence(self) -> Evidence:
        """What it says of the bench."""
        counts = self.counts
        void, notes = [], []
        of = f"of {counts.runs} runs"
        if counts.missing:
            mend = "" if counts.verified else " (bus.echo, if the adapter has none)"
            void.append(f"echo missing: {counts.missing} {of} were not heard{mend}")
        if counts.collided:
            void.append(
                f"collision: {_octets(counts.collisions)} came back changed in "
                f"{counts.collided} {of}; somebody else drove the bus"
            )
        if counts.late:
            notes.append(
                f"the adapter heard {counts.late} {of} late: "
                f"{_octets(counts.late_octets)} missing at the start"
            )
        if counts.overrun:
            notes.append(
                f"the adapter or the system lost {_octets(counts.overruns)} that came "
                f"in, in {counts.overrun} {of}: answers may be lost there, too"
            )
        return Evidence({"echo": counts.as_dict()}, (), tuple(void), tuple(notes))

    # --- decided ----------------------------------------------------------------------

    def _decide(self, run: _Run, until_ns: int, left: list[tuple[int, int]]) -> bool:
        """What became of a run's echo; False where it is too early to say."""
        over = until_ns > run.deadline_ns
        most = self._before(run.deadline_ns + 1)
        size = len(run.octets)
        heard = bytes(self._octets[: min(most, size + _AHEAD)])
        if heard[:size] == run.octets:
            self._take(run, _Alignment(size, size), left)
            return True
        if not over and len(heard) < size + _AHEAD:
            return False
        if not heard or self._is_next(heard):
            self._take(run, _Alignment(), left)
            return True
        found = aligned(run.octets, heard)
        same = heard[:_LOOKED_FOR] == run.octets[:_LOOKED_FOR]
        if 2 * found.matched > size or same:
            self._take(run, found, left)
            return True
        if not over:
            return False
        head = run.octets[:_LOOKED_FOR]
        further = self._octets.find(head, 0, most)
        if further > 0:
            self._leave(left, further)
            return self._decide(run, until_ns, left)
        self._take(run, _Alignment(), left)
        return True

    def _is_next(self, heard: bytes) -> bool:
        """Whether what is heard is, to the octet, the echo of the run after the first.

        Runs are often alike, so it would fit the first nearly as well.
        """
        if len(self._runs) < 2 or self._at_ns[0] < self._runs[1].start_ns:
            return False
        octets = self._runs[1].octets[: len(heard)]
        return heard[: len(octets)] == octets

    def _take(self, run: _Run, found: _Alignment, left: list[tuple[int, int]]) -> None:
        """Take away what matches, and count."""
        counts = self.counts
        counts.runs += 1
        counts.octets += len(run.octets)
        counts.verified += found.matched
        counts.missing += not found.matched
        counts.collisions += len(found.changed)
        counts.collided += bool(found.changed)
        counts.late_octets += found.late
        counts.late += bool(found.late)
        counts.overruns += found.gone
        counts.overrun += bool(found.gone)
        left += [(self._octets[i], self._at_ns[i]) for i in found.changed]
        del self._octets[: found.used]
        for _ in range(found.used):
            self._at_ns.popleft()

    def _leave(self, left: list[tuple[int, int]], count: int) -> None:
        """The first so many octets are no echo."""
        left += [(octet, self._at_ns.popleft()) for octet in self._octets[:count]]
        del self._octets[:count]

    def _before(self, ns: int) -> int:
        """How many octets were heard before an instant."""
        count = 0
        for at_ns in self._at_ns:
            if at_ns >= ns:
                break
            count += 1
        return count


def aligned(sent: Sequence[int], heard: Sequence[int]) -> _Alignment:
    """How an echo lies on what was sent, from its first octet on."""
    found = _Alignment()
    i = 0
    while i < len(sent):
        j = found.used
        if j < len(heard) and sent[i] == heard[j]:
            i, found.used, found.matched = i + 1, j + 1, found.matched + 1
            continue
        changed = _changed(sent[i:], heard[j:])
        gone = _gone(sent[i:], heard[j:])
        if changed is None and gone is None:
            found.gone += len(sent) - i
            break
        if gone is None or (changed is not None and changed <= gone):
            assert changed is not None
            found.changed += range(j, j + changed)
            i, found.used = i + changed, j + changed
        elif i == 0:
            i, found.late = gone, gone
        else:
            i, found.gone = i + gone, found.gone + gone
    return found


def _changed(sent: Sequence[int], heard: Sequence[int]) -> int | None:
    """How many octets were changed before the echo goes on as it was sent."""
    for count in range(1, min(_SPREAD, len(sent), len(heard)) + 1):
        ahead = sent[count : count + _AHEAD]
        if list(heard[count : count + len(ahead)]) == list(ahead):
            return count
    return None


def _gone(sent: Sequence[int], heard: Sequence[int]) -> int | None:
    """How many octets are missing before the echo goes on; all, if it does not."""
    for count in range(1, len(sent)):
        ahead = sent[count : count + _AHEAD]
        if list(heard[: len(ahead)]) == list(ahead):
            return count
    return len(sent) if sent and not heard else None


def _octets(count: int) -> str:
    return f"{count} octet{'' if count == 1 else 's'}"
