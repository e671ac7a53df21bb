"""Block after block of a campaign: by this process, others, a cluster, or on boards."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.api_fuzz import workers
from bench.fuzz.campaign.play import on_boards
from bench.trial.sweep.hands import Died
from bench.trial.sweep.point import Task

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from bench.api_search.kept import Around
    from bench.fuzz.attacks import Attacks
    from bench.fuzz.campaign.boards import Boards
    from bench.fuzz.campaign.job import FuzzJob

    Record = dict[str, Any]

_MOST_BLOCKS = 100_000
"""Blocks that are given out at most: days of work."""

_OVER = -1
"""In place of a signal: the time is over."""


@dataclass(frozen=True, slots=True)
class Ends:
    """How far a campaign goes; whichever is first.

    Attributes:
        cases: How many cases; None: no limit.
        ns: For how long; None likewise.
    """

    cases: int | None
    ns: int | None


class Play:
    """The blocks of a campaign, and how it stands with them.

    Attributes:
        state: What is being done, in some words.
        open: Whether something is left of what was asked for.
        ended: Why it ended early, or None.
        last: The case that was last then.
        lost: Whether the link was lost.
        void: Why cases say nothing, a sentence each.
    """

    def __init__(
        self,
        job: FuzzJob,
        attacks: Attacks,
        ends: Ends,
        around: Around,
        done: Sequence[Mapping[str, Any]],
    ) -> None:
        """Begin, or go on.

        Args:
            job: What is played.
            attacks: Its attacks.
            ends: How far.
            around: Clock, and who may stop it.
            done: Records of blocks that were played before.
        """
        self.state = "attacking"
        self.ended: str | None = None
        self.last: Mapping[str, Any] | None = None
        self.lost = False
        self.void: list[str] = []
        self._job = job
        self._attacks = attacks
        self._ends = ends
        self._around = around
        self._began_ns = around.clock.now_ns()
        self._came = False  # a campaign ends with one block at least
        self._blocks = [one for one in done if "attacks" in one]

    def begin(self) -> None:
        """From now on its time counts."""
        self._began_ns = self._around.clock.now_ns()

    @property
    def open(self) -> bool:
        """See the class."""
        return self.ended is not None or self._around.stop() is not None

    def share(self, cases: int) -> float:
        """How much is done, of what was asked for."""
        shares = [0.0]
        if self._ends.cases is not None:
            shares.append(cases / self._ends.cases)
        if self._ends.ns is not None:
            spent_ns = self._around.clock.now_ns() - self._began_ns
            shares.append(spent_ns / self._ends.ns)
        return min(1.0, max(shares))

    def simulated(self, hands: Any) -> Iterator[Record]:
        """Blocks on simulated nodes, as they are done."""
        died = []
        for task, came in hands.work(self._job, self._tasks(), self._stop):
            if isinstance(came, Died):
                died.append(task)
                continue
            self._came = True
            yield came
        for task, came in hands.work(self._job, died, self._around.stop):
            if isinstance(came, Died):
                first, count = task.values
                span = f"cases {first} to {int(first) + int(count) - 1}"
                self.void.append(f"whoever tried {span} died, twice: {came.why}")
            else:
                yield came

    def on_boards(self, boards: Boards) -> Iterator[Record]:
        """Blocks on boards, one case after another."""
        self._came = True
        first = max((one["first"] + one["numbers"] for one in self._blocks), default=0)
        while self._stop() is None:
            count = self._job.block
            if self._ends.cases is not None:
                count = min(count, self._ends.cases - first)
            if count < 1:
                return
            span = first, count
            record = on_boards(self._job, self._attacks, boards, span, self._stop)
            first += record["numbers"]
            if record["ended"] is not None:
                self.ended, self.last = _ended(record)
                self.lost = record["link"]
            if record["numbers"]:
                yield record
            if self.ended is not None:
                return

    def _tasks(self) -> Iterator[Task]:
        """Blocks that nobody has played yet."""
        block, cases = self._job.block, self._ends.cases
        done = {one["first"] for one in self._blocks}
        blocks = _MOST_BLOCKS if cases is None else -(-cases // block)
        for index in range(blocks + len(done) * (cases is None)):
            first = index * block
            if first in done:
                continue
            count = block if cases is None else min(block, cases - first)
            yield Task(index, (str(first), str(count)))

    def _stop(self) -> int | None:
        """The number of a signal that came, or that the time is over."""
        signal = self._around.stop()
        if signal is not None or self._ends.ns is None:
            return signal
        spent_ns = self._around.clock.now_ns() - self._began_ns
        over = self._came and spent_ns >= self._ends.ns
        return _OVER if over else None


def _ended(record: Mapping[str, Any]) -> tuple[str, Mapping[str, Any]]:
    """Why boards ended it, with the case that was last."""
    last = record["last"]
    attacks = ", ".join(last["attacks"]) or "good traffic"
    return f"{record['ended']}; case {last['number']} was the last ({attacks})", last


@contextmanager
def hands_of(
    play: Play, boards: Boards | None, others: tuple[int, str | None]
) -> Iterator[Iterator[Record]]:
    """Records of blocks, by whoever plays them.

    Args:
        play: The blocks.
        boards: If they are played on boards.
        others: How many processes, and the address of a cluster, if not.

    Raises:
        BenchError: If whoever is to play them cannot be had.
    """
    if boards is not None:
        yield play.on_boards(boards)
        return
    jobs, address = others
    hands: Any = workers.InTurn()
    if address is not None:
        hands = workers.cluster(address)
    elif jobs > 1:
        hands = workers.processes(jobs)
    records = play.simulated(hands)
    try:
        yield records
    finally:
        records.close()  # type: ignore[attr-defined]  # a generator
        if close := getattr(hands, "close", None):
            close()
