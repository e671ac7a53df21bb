"""The pacer: absolute deadlines, honest figures, no flood after a stall."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.clock import JumpClock
from bench.base.errors import LinkError
from bench.link.pacer import Pacer, PacingRules

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.link.percentiles import Percentiles

MS = 1_000_000
COARSE = Path(__file__).parents[2] / "cases" / "A12_coarse_clock.py"


def coarse_clock() -> Any:
    """A clock whose sleep wakes on a grid of 15.625 ms only."""
    spec = importlib.util.spec_from_file_location("coarse_clock", COARSE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.CoarseClock()


def every(period_ns: int, packets: int, start_ns: int = 0) -> np.ndarray[Any, Any]:
    """Deadlines at a fixed rate."""
    return start_ns + period_ns * np.arange(packets, dtype=np.int64)


def nearest_rank(values: list[int], percent: int) -> int:
    """The percentile by its definition (Hyndman and Fan, type 1)."""
    return sorted(values)[max(1, math.ceil(len(values) * percent / 100)) - 1]


@pytest.mark.parametrize("spin_ns", [0, 200_000])
@pytest.mark.parametrize("first", [0, 1])
def test_coarse_clock(spin_ns: int, first: int) -> None:
    """A timer that wakes each 15.625 ms: the mean holds, and the report says how.

    Known values: 1000 packets at 1 ms take 1.000 s (64 wakes), 16 at once at most,
    15.5 ms late at worst; by relative sleeps it would be 15.625 s.
    """
    clock = coarse_clock()
    pacer = Pacer(clock, PacingRules(spin_ns=spin_ns))
    written: list[int] = []
    sent = pacer.send(every(MS, 1000, first * MS), written.append)
    report = pacer.report()
    assert clock.now_ns() == 1_000_000_000
    assert written == list(range(1000))
    assert report.packets == len(sent) == 1000
    assert report.largest_burst == 16
    assert report.lateness is not None
    assert report.lateness.greatest == 15_500_000
    assert report.spacing is not None
    assert report.spacing.greatest == 15_625_000
    assert (report.spacing.p1, report.spacing.p50, report.spacing.p90) == (0, 0, 0)
    assert (report.shifts, report.kept) == (0, False)
    assert str(report.fault).startswith(
        f"spacing not kept: {report.late} of 1000 packets over 1 ms late"
    )
    assert "worst 15.5 ms), up to 16 at once, expected at most 1" in str(report.fault)


def test_exact_clock() -> None:
    """On a clock that wakes when asked, every packet is sent when it is due."""
    clock = JumpClock(5)
    pacer = Pacer(clock)
    deadlines = every(MS, 50, 3 * MS)
    assert (pacer.send(deadlines, lambda _: None) == deadlines).all()
    report = pacer.report()
    assert report.kept
    assert report.fault is None
    assert report.largest_burst == 1
    assert report.lateness is not None
    assert report.lateness.greatest == 0
    assert report.spacing is not None
    assert report.spacing.p1 <= MS * 513 / 512
    assert report.spacing.p1 >= report.spacing.greatest == MS


def test_nothing_sent() -> None:
    """Without packets there are no figures; with one there is no spacing."""
    pacer = Pacer(JumpClock())
    pacer.send(every(MS, 0), lambda _: None)
    report = pacer.report()
    assert (report.packets, report.spacing, report.lateness) == (0, None, None)
    pacer.send(every(MS, 1), lambda _: None)
    report = pacer.report()
    assert report.spacing is None
    assert report.lateness is not None


def stalling(clock: JumpClock, at: int, stall_ns: int) -> Callable[[int], None]:
    """A link that blocks once."""
    return lambda index: clock.advance(stall_ns) if index == at else None


def test_short_stall_is_caught_up() -> None:
    """Up to the bound, what was missed goes out at once and the plan is held again."""
    clock = JumpClock()
    pacer = Pacer(clock, PacingRules(catch_up_ns=50 * MS))
    sent = pacer.send(every(10 * MS, 20), stalling(clock, 3, 55 * MS))
    assert (sent[4:9] == 85 * MS).all()  # 40 … 80 ms, 45 ms late at worst
    assert (sent[9:] == every(10 * MS, 11, 90 * MS)).all()
    report = pacer.report()
    assert (report.shifts, report.shift_ns, report.largest_burst) == (0, 0, 6)
    assert report.late == 5
    assert not report.kept


def test_long_stall_moves_the_plan() -> None:
    """Past the bound there is no flood: the plan moves by the stall, and says so."""
    clock = JumpClock()
    pacer = Pacer(clock, PacingRules(catch_up_ns=50 * MS))
    sent = pacer.send(every(10 * MS, 200), stalling(clock, 3, 1000 * MS))
    assert (sent[4:] == every(10 * MS, 196, 1030 * MS)).all()
    report = pacer.report()
    assert (report.shifts, report.shift_ns, report.largest_burst) == (1, 990 * MS, 2)
    assert pacer.shift_ns == 990 * MS
    assert report.late == 1  # within the share, and still not kept
    assert not report.kept
    assert "schedule moved 1 times by 990 ms in all" in str(report.fault)


def test_link_lost() -> None:
    """What was sent before a link failed is in the figures."""

    def write(index: int) -> None:
        if index == 3:
            raise LinkError("plug pulled")

    pacer = Pacer(JumpClock())
    with pytest.raises(LinkError):
        pacer.send(every(MS, 10), write)
    assert pacer.report().packets == 4


@given(
    st.lists(st.integers(0, 20 * MS), min_size=1, max_size=60),
    st.lists(st.integers(0, 40 * MS), min_size=60, max_size=60),
    st.integers(0, 30 * MS),
    st.integers(0, 60),
)
def test_figures_are_those_of_the_calls(
    gaps: list[int], work: list[int], catch_up_ns: int, cut: int
) -> None:
    """Whatever the link does: never early, in order, and reported as it was.

    The figures are computed again from the instants of the calls, and do not depend on
    how the deadlines were divided into chunks.
    """
    clock = JumpClock()
    pacer = Pacer(clock, PacingRules(catch_up_ns=catch_up_ns))
    deadlines = np.cumsum(gaps)
    cut = cut * len(gaps) // 60
    calls: list[int] = []

    def write(_: int) -> None:
        calls.append(clock.now_ns())
        clock.advance(work[len(calls) - 1])

    parts = [pacer.send(part, write) for part in (deadlines[:cut], deadlines[cut:])]
    sent = np.concatenate(parts).tolist()
    assert sent == calls

    shift, late, bursts = 0, [], [0]
    for number, (deadline, now) in enumerate(
        zip(deadlines.tolist(), sent, strict=True)
    ):
        free = 0 if number == 0 else sent[number - 1] + work[number - 1]
        due = deadline + shift
        assert now == max(due, free)
        bursts.append(1 if free < due else bursts[-1] + 1)
        late.append(now - due)
        shift += late[-1] if late[-1] > catch_up_ns else 0
    report = pacer.report()
    assert report.shift_ns == shift
    assert report.shifts == sum(ns > catch_up_ns for ns in late)
    assert report.largest_burst == max(bursts)
    assert report.late == sum(ns > MS for ns in late)
    assert_percentiles(report.lateness, late)
    assert_percentiles(report.spacing, np.diff(sent).tolist())


def assert_percentiles(found: Percentiles | None, values: list[int]) -> None:
    """The percentiles are those of the values, rounded up a little; none of nothing."""
    if found is None:
        assert not values
        return
    assert found.greatest == max(values)
    for percent in (1, 50, 90, 99):
        exact = nearest_rank(values, percent)
        assert exact <= getattr(found, f"p{percent}") <= exact * 513 / 512


class Oversleeping(JumpClock):
    """A clock that ticks while it is read, and wakes late."""

    def now_ns(self) -> int:
        """See `Clock`."""
        self.advance(100)
        return super().now_ns()

    def sleep(self, seconds: float) -> None:
        """See `Clock`."""
        super().sleep(seconds)
        self.advance(150_000)


@pytest.mark.parametrize(("spin_ns", "late_ns"), [(200_000, 100), (0, 150_100)])
def test_spinning_makes_up_for_oversleeping(spin_ns: int, late_ns: int) -> None:
    """A sleep that ends 150 us late costs nothing if the last 200 us are spun."""
    pacer = Pacer(Oversleeping(), PacingRules(spin_ns=spin_ns))
    pacer.send(every(MS, 100, MS), lambda _: None)
    lateness = pacer.report().lateness
    assert lateness is not None
    assert late_ns - 100 <= lateness.greatest <= late_ns


@given(st.integers(0, 2**62))
def test_bins_are_narrow(ns: int) -> None:
    """A percentile is never below the time that it stands for, nor much above."""
    pacer = Pacer(JumpClock(), PacingRules(catch_up_ns=2**62))
    pacer._lateness.add(np.array([ns, 2**62]))
    found = pacer._lateness.percentiles()
    assert found is not None
    assert ns <= found.p50 <= ns + ns / 512
