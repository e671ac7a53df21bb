"""Placing packets in time from the host: sleep, then spin, then say how it went.

Deadlines are absolute, so lateness never adds up: a host that wakes late sends what has
become due at once, and the mean rate holds.  After a stall longer than a stated bound
that would be a flood, so the rest of the schedule moves by the length of the stall.
Both are reported, since either way the packets were not where the plan put them.

What is measured is the lateness of the write call.  When the octets are on the wire is
another matter, and without a capture of the bus it is not observable.

The clock is handed in.  One that stands still while it is watched (a coarse timer, or
one for tests) is slept on instead of spun on.  Nothing here looks for a signal: who
wants to be stopped hands in the deadlines of a few milliseconds at a time.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.errors import Fault
from bench.base.grid import NS_PER_S
from bench.link.percentiles import Histogram

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from bench.base.clock import Clock
    from bench.link.percentiles import Percentiles

    Times = NDArray[np.int64]

STILL_READS = 100
"""A clock that reads the same so often (some microseconds) does not move by itself."""

NS_PER_MS = 1_000_000

_NOTED = 4096
"""Write calls that are taken into the figures together."""


@dataclass(frozen=True, slots=True)
class PacingRules:
    """How packets are placed, and how well is well enough.

    Attributes:
        spin_ns: The last stretch of a wait is spun: a desktop's sleep overshoots by
            about a tenth of a millisecond.
        catch_up_ns: A packet later than this moves the schedule; up to it, what was
            missed is sent at once.  Three ticks of a coarse system timer.
        late_ns: A packet later than this is late.  An idle desktop keeps it for 99
            packets of 100 with room to spare, a busy one does not.
        late_share: Spacing is not kept if a greater share of packets is late.
    """

    spin_ns: int = 200_000
    catch_up_ns: int = 50_000_000
    late_ns: int = 1_000_000
    late_share: float = 0.01


@dataclass(frozen=True, slots=True)
class PacingReport:
    """How well packets were placed.

    Attributes:
        packets: Packets handed over.
        spacing: Time from one write call to the next; None below two packets.
        lateness: From each deadline to its write call; None without packets.
        largest_burst: Most packets sent without a wait between them.
        late: Packets later than `rules.late_ns`.
        shifts: Times that the schedule was moved.
        shift_ns: By how much, in all.
        rules: The rules that held.
    """

    packets: int
    spacing: Percentiles | None
    lateness: Percentiles | None
    largest_burst: int
    late: int
    shifts: int
    shift_ns: int
    rules: PacingRules

    @property
    def kept(self) -> bool:
        """Whether a verdict may rest on the spacing."""
        return self.shifts == 0 and self.late <= self.rules.late_share * self.packets

    @property
    def fault(self) -> Fault | None:
        """Why no verdict may rest on the spacing; None if one may."""
        if self.kept or self.lateness is None:
            return None
        ms = {
            name: f"{ns / NS_PER_MS:.3g} ms"
            for name, ns in (
                ("late", self.rules.late_ns),
                ("p99", self.lateness.p99),
                ("worst", self.lateness.greatest),
                ("shift", self.shift_ns),
            )
        }
        value = (
            f"{self.late} of {self.packets} packets over {ms['late']} late "
            f"(p99 {ms['p99']}, worst {ms['worst']}), "
            f"up to {self.largest_burst} at once"
        )
        if self.shifts:
            value += f", schedule moved {self.shifts} times by {ms['shift']} in all"
        return Fault(
            "spacing not kept",
            value,
            f"at most {self.rules.late_share:.3%} late and no move",
            mend="pace packed, or let the host do nothing else",
        )


class Pacer:
    """Makes write calls at their deadlines; one for a trial.

    Attributes:
        shift_ns: What has to be added to a deadline of the plan by now.
    """

    def __init__(
        self,
        clock: Clock,
        rules: PacingRules | None = None,
        sleep: Callable[[float], object] | None = None,
    ) -> None:
        """Begin with nothing sent.

        Args:
            clock: The clock.
            rules: How packets are placed.
            sleep: Lets time pass up to the last stretch before a deadline; it may
                return early, and do something of use meanwhile.  The clock's sleep
                unless given.
        """
        self._clock = clock
        self._rules = rules or PacingRules()
        self._sleep = sleep or clock.sleep
        self._spacing, self._lateness = Histogram(), Histogram()
        self._recent = Histogram()
        self._told_late = self._told_shifts = 0
        self._sent, self._late_ns = array("q"), array("q")
        self._last_ns: int | None = None
        self._burst = self._largest_burst = 0
        self._late = self._shifts = 0
        self.shift_ns = 0

    def send(self, deadlines_ns: Times, write: Callable[[int], object]) -> Times:
        """Call `write(index)` for each deadline, none before its time.

        Args:
            deadlines_ns: Instants of the clock, ascending.
            write: Hands packet number `index` of this chunk to the link.

        Returns:
            The instant of each call.
        """
        sent = array("q")
        for index, deadline_ns in enumerate(deadlines_ns.tolist()):
            sent.append(self.wait(deadline_ns))
            write(index)
        return np.array(sent, np.int64)

    def wait(self, deadline_ns: int, not_before_ns: int = 0) -> int:
        """Wait for one write call, which the caller makes at once when this returns.

        Args:
            deadline_ns: Instant of the clock, as the plan has it.
            not_before_ns: Instant of the clock before which the line is not free.

        Returns:
            The instant.
        """
        due_ns = deadline_ns + self.shift_ns
        from_ns = max(due_ns, not_before_ns)
        now_ns = self._clock.now_ns()
        if now_ns < from_ns:
            now_ns = self._pass(now_ns, from_ns)
            self._burst = 0
        self._burst += 1
        if self._burst > self._largest_burst:
            self._largest_burst = self._burst
        late_ns = now_ns - due_ns
        if late_ns > self._rules.catch_up_ns:
            self._shifts += 1
            self.shift_ns += late_ns
        self._sent.append(now_ns)
        self._late_ns.append(late_ns)
        if len(self._sent) >= _NOTED:
            self._note()
        return now_ns

    def report(self) -> PacingReport:
        """How well it went so far."""
        self._note()
        return PacingReport(
            self._lateness.total,
            self._spacing.percentiles(),
            self._lateness.percentiles(),
            self._largest_burst,
            self._late,
            self._shifts,
            self.shift_ns,
            self._rules,
        )

    def lately(self) -> tuple[Histogram, int, int]:
        """Since the last call: lateness, packets that were late, and moves.

        In the thread that waits.
        """
        self._note()
        recent, self._recent = self._recent, Histogram()
        late, shifts = self._late - self._told_late, self._shifts - self._told_shifts
        self._told_late, self._told_shifts = self._late, self._shifts
        return recent, late, shifts

    def _pass(self, now_ns: int, until_ns: int) -> int:
        """Sleep up to the last stretch, then spin; returns what the clock says then."""
        clock, spin_ns = self._clock, self._rules.spin_ns
        while until_ns - now_ns > spin_ns:
            self._sleep((until_ns - now_ns - spin_ns) / NS_PER_S)
            now_ns = clock.now_ns()
        still = 0
        while now_ns < until_ns:
            before_ns, now_ns = now_ns, clock.now_ns()
            still = still + 1 if now_ns == before_ns else 0
            if still > STILL_READS:
                clock.sleep((until_ns - now_ns) / NS_PER_S)
        return now_ns

    def _note(self) -> None:
        """Take what was sent since the last time into the figures."""
        if not self._sent:
            return
        sent_ns = np.array(self._sent, np.int64)
        lateness_ns = np.array(self._late_ns, np.int64)
        self._sent, self._late_ns = array("q"), array("q")
        self._lateness.add(lateness_ns)
        self._recent.add(np.maximum(lateness_ns, 0))
        self._late += int(np.count_nonzero(lateness_ns > self._rules.late_ns))
        first = sent_ns[0] if self._last_ns is None else self._last_ns
        spacing = np.diff(sent_ns, prepend=first)
        self._spacing.add(spacing[1:] if self._last_ns is None else spacing)
        self._last_ns = int(sent_ns[-1])
