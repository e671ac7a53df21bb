"""No trial on simulated nodes is worse than the budget of its profile.

That bounds are not far above either is for the test of every line, beside this one.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from unit.budget.played import Measured, played
from unit.budget.worlds import profile

from bench.budget import budget
from bench.budget.board.board import boards_of
from bench.budget.board.receiver import polled
from bench.budget.bus.pace import paces_of
from bench.budget.told.worked import Worked, worked
from bench.budget.whole import node_lines

if TYPE_CHECKING:
    from bench.budget import BudgetLine
    from bench.profile import Profile

PACKETS = 30
EXAMPLES, NIGHTLY = 120, 4000


def held(lines: dict[str, BudgetLine], *names: str) -> bool:
    """Whether the lines of those names that there are hold, none without a bound."""
    found = [line for name, line in lines.items() if name in names]
    return all(
        line.holds or (line.limit is None and not line.missing) for line in found
    )


def faults(made: Profile, seed: int) -> list[str]:
    """Every way in which a trial of a profile was worse than its budget says."""
    paces = paces_of(made).nodes
    measured = played(made, seed=seed, packets=PACKETS)
    fits = budget(made).fits
    wrong = []
    best, worst = [], []
    boards = boards_of(made, [[node] for node in made.node], paces)
    for node, board, found in zip(made.node, boards, measured, strict=True):
        out = worked(board)
        lines = {line.name: line for line in node_lines(made, out)}
        wrong += [f"{node.name}: {what}" for what in _node_faults(out, lines, found)]
        if fits:
            wrong += [f"{node.name}: {what}" for what in _unfit(out, found)]
        best.append(out.course.best_ns)
        worst.append(out.course.shown_ns)
    if fits:
        wrong += _skewed(made, measured)
    return wrong


def _unfit(out: Worked, found: Measured) -> list[str]:
    """A budget that fits, and a packet that was not shown."""
    waits = out.board.group > 1 and out.board.spec.uart.idle_timeout_ns is None
    if waits and not out.board.polled and found.shown == found.sent - 1:
        return []  # nothing comes after the last one to bring its end in
    bounded = out.course.shown_ns is not None and not out.board.spec.on_sync
    if found.shown != found.sent and bounded:
        lost = Counter(found.lost)
        return [f"{found.shown} of {found.sent} shown, {found.dropped}, {lost}"]
    return []


RECEIVER = ("FIFO slack", "ring slack", "poll interval", "left in the FIFO")
OUTPUT = ("set-up", "deaf time", "darkness", "bit wait")
WAY = (
    "receive buffers",
    "port-word buffers",
    "processor load",
    "output interval",
    "sync",
    "rearranged",
    "latch gap",
    "pause in a burst",
    "lane bit error",
)
"""Lines without which others mean nothing."""


class Comparison:
    """One node's trial against its lines."""

    def __init__(
        self, out: Worked, lines: dict[str, BudgetLine], found: Measured
    ) -> None:
        self.out, self.lines, self.found = out, lines, found
        self.wrong: list[str] = []

    def most(self, what: str, value: float | None, bound: Any) -> None:
        """Note a value that is above its bound."""
        if value is not None and bound is not None and value > float(bound):
            self.wrong.append(f"{what} {value} > {float(bound)}")

    def traffic(self) -> None:
        """Packets take no longer, and come no closer, than is said."""
        pace, found = self.out.board.pace, self.found
        if found.sent:  # rounded down at both ends
            self.most("packet", found.packet_ns - 1, pace.worst_ns)
        for back, apart in enumerate(found.apart_ns):
            if apart < pace.apart_ns[back] - 1:
                self.wrong.append(f"apart {apart} < {float(pace.apart_ns[back])}")

    def receiver(self) -> None:
        """No character is lost, and interrupts take no more of the time."""
        if self.found.lost and not _deaf(self.out):
            self.wrong.append(f"lost {Counter(self.found.lost)}")
        share = self.lines.get("interrupt share")
        if share is not None and self.found.sent > 5:
            self.most("busy", self.found.busy - 0.02, share.value)

    def load(self) -> None:
        """The processor is busy for no larger share, but for a packet at either end."""
        share, pace = self.lines["processor load"].value, self.out.board.pace
        most = float(share or 0) * (self.found.span_ns + 2 * float(pace.mean_ns))
        self.most("worked", self.found.worked_ns, most)

    def output(self) -> None:
        """Bursts are no longer, and have no clock more."""
        stage, found = self.out.stage, self.found
        if held(self.lines, "stop", "clocks at the front") and found.extra:
            self.wrong.append(f"{found.extra} extra clocks")
        if stage.stop_ns is not None:
            self.most("extra", found.extra, stage.extra)
        if held(self.lines, "marginal band") and found.marginal:
            self.wrong.append("marginal")
        self.most("burst", found.burst_ns, stage.burst_ns)

    def latency(self) -> None:
        """Packets are shown no later, nor sooner than at best."""
        course, found = self.out.course, self.found
        self.most("first bit", found.first_ns, course.first_ns)
        self.most("shown", found.shown_ns, course.shown_ns)
        if found.best_ns is not None and course.best_ns is not None:
            self.most("best", -found.best_ns, -course.best_ns)


def _node_faults(
    out: Worked, lines: dict[str, BudgetLine], found: Measured
) -> list[str]:
    """What one node did worse than its lines say."""
    compared = Comparison(out, lines, found)
    compared.traffic()
    if held(lines, *RECEIVER):
        compared.receiver()
        compared.load()
        if held(lines, *OUTPUT):
            compared.output()
            if held(lines, *WAY):
                compared.latency()
    return compared.wrong


def _deaf(out: Worked) -> bool:
    """Whether a polled board misses characters while it rearranges."""
    if not out.board.polled:
        return False
    job = out.course.deaf_ns
    if job is None:
        return True
    busy = polled(out.board, int(job))
    return busy.late_ns is None or busy.late_ns >= busy.slack_ns


def _skewed(made: Profile, measured: list[Measured]) -> list[str]:
    """Frames whose nodes showed them further apart than the budget says."""
    line = budget(made)["skew"]
    if line.value is None or any(found.ends is None for found in measured):
        return []
    spread = skew_of(measured)
    bound = float(line.value)
    return [f"skew {spread} > {bound}"] if spread > bound else []


def skew_of(measured: list[Measured]) -> int:
    """The greatest spread of one frame's shown times."""
    times: dict[int, list[int]] = {}
    for found in measured:
        frames, shown = found.ends
        numbers, counts = np.unique(frames, return_counts=True)
        alone = set(numbers[counts == 1].tolist())
        for frame, ns in zip(frames.tolist(), shown.tolist(), strict=True):
            if frame in alone:
                times.setdefault(frame, []).append(ns)
    return max((max(all_) - min(all_) for all_ in times.values()), default=0)


def run(seeds: range) -> Counter[str]:
    """Try random profiles; how many of them fit."""
    fits: Counter[str] = Counter()
    for seed in seeds:
        made = profile(seed)
        found = budget(made)
        fits["fits" if found.fits else found.tightest] += 1
        assert faults(made, seed) == [], seed
    return fits


def test_no_trial_is_worse_than_its_budget() -> None:
    """Losses, latencies, bursts, clocks, interrupts, frames: all within the bounds."""
    fits = run(range(EXAMPLES))
    print(fits)  # noqa: T201
    assert fits["fits"] >= EXAMPLES // 8


@pytest.mark.night
def test_no_trial_is_worse_than_its_budget_at_length() -> None:
    """The same for many more."""
    fits = run(range(EXAMPLES, NIGHTLY))
    print(fits)  # noqa: T201
    assert fits["fits"] >= NIGHTLY // 8
