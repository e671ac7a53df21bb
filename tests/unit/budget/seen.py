"""The worst that a simulation shows of each line of a budget, or why it shows none.

Four kinds of trial are looked at:

* plain: the profile as it is, traced;
* crowded: its output clock so low that packets queue, for what lies between bursts;
* one burst at ever higher clocks, for where the clock stops too late;
* whole trials at ever lower clocks, or ever higher bauds, for where they begin to fail.

A line whose figure is of another profile (a crowded one) is compared with its bound
there.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from unit.budget import traced as seen
from unit.budget.played import played

from bench.base.errors import BenchError
from bench.base.grid import NS_PER_S
from bench.budget import budget
from bench.budget.board.board import boards_of
from bench.budget.bus.pace import paces_of
from bench.budget.told.worked import worked
from bench.kernels.node.records import BIT
from bench.profile import load_profile
from bench.traffic.refusal import refuse

if TYPE_CHECKING:
    from collections.abc import Callable

    from unit.budget.played import Measured
    from unit.budget.traced import Traced

    from bench.budget import Budget, BudgetLine
    from bench.profile import Profile

PACKETS, TRACED = 400, 120
LIMIT, CROWD, AVERAGE = "of its limit", "crowded", "on average"
RESOLUTION = Fraction(1, 500)
"""Of an edge that is searched for."""

MEMORY = ("RAM", *(f"words of {bits} bits" for bits in (8, 16, 32, 64, 128)))
STATED = "a figure of the profile, that nothing happens by"
ELECTRIC = "nothing electric is simulated"
UNSEEN = {
    "check": "that a check holds its distance is proven, not tried",
    "polling share": "a loop takes all the time that is left, needed or not",
    **dict.fromkeys(MEMORY, "the simulation takes what memory it needs"),
    "baud error": "simulated nodes have the bus's own clock; bus.baud_offset moves it",
    "unit loads": ELECTRIC,
    "length x rate, strict": ELECTRIC,
    "length x rate": ELECTRIC,
    "cable length": ELECTRIC,
    "driver load": ELECTRIC,
    "node at full": STATED,
    "all at full": STATED,
    "all at the cap": STATED,
}
"""Lines to which nothing in a simulation corresponds, and why."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line beside what was seen of it.

    Attributes:
        line: The line.
        bound: Its figure that is compared, value or limit.
        worst: The worst that was seen; None: not observable.
        why: Why, or what the figure is of.
        free: What it may be off for more than a tenth: one interrupt, in ns, or one
            piece of what is counted.
    """

    line: BudgetLine
    bound: float
    worst: float | None
    why: str = ""
    free: float = 0.0

    @property
    def holds(self) -> bool:
        """Whether nothing worse than the bound was seen."""
        if self.why == AVERAGE:
            return True
        # A limit that is the least is passed by what fails above it, and so on.
        least = (self.line.sense == "least") != (self.why == LIMIT)
        near = 1 if self.line.unit == "ns" else 0.01 * self.bound
        return self.worst is None or (
            self.worst >= self.bound - near
            if least
            else self.worst <= self.bound + near
        )

    @property
    def off(self) -> float:
        """How far the bound lies from the worst that was seen, as a share of that."""
        assert self.worst is not None
        return abs(self.bound - self.worst) / max(abs(self.worst), 1e-9)

    def is_tight(self, share: float) -> bool:
        """Whether the bound is near enough."""
        if self.worst is None:
            return True
        return abs(self.bound - self.worst) <= share * abs(self.worst) + self.free


class Watched:
    """A shipped profile, in all the trials that its lines need."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.sets: tuple[str, ...] = ()
        self.recording = self.worst = None
        if name == "slipway":  # stuffing decides
            self.sets = ("traffic.pattern=play",)
            self.worst = np.full((2, 3, 1200), 0xC0, np.uint8)
            self.recording = self.worst.copy()
            self.recording[:, 0] = 0  # the shortest first, the longest last
        self.profile = load_profile(name, self.sets)
        self.budget: Budget = budget(self.profile)

    def clocked(self, hz: Fraction) -> Profile:
        """The profile at another clock, its rules not asked: they refuse what fails."""
        clock, nodes = {"clock_hz": round(hz)}, []
        for node in self.profile.node:
            output = node.output.model_copy(update=clock)
            nodes.append(node.model_copy(update={"output": output}))
        return self.profile.model_copy(update={"node": nodes})

    @cached_property
    def trial(self) -> list[Measured]:
        """A long trial, all nodes."""
        return played(self.profile, seed=3, packets=PACKETS, recording=self.recording)

    @cached_property
    def plain(self) -> Traced:
        """A traced trial."""
        return self.traced(self.profile)

    def traced(self, profile: Profile, packets: int = TRACED) -> Traced:
        """A traced trial of one node, all packets at their longest."""
        return seen.traced(profile, packets=packets, recording=self.worst)

    @cached_property
    def shipped(self) -> Traced:
        """The profile as it is shipped, its own pattern included.

        At slipway's frame rate no foreign packet fits between two own ones, were it
        stuffed at worst, so none is sent: what is asked for is looked at where they do.
        """
        sets = ["traffic.frame_rate=20 Hz"] if self.name == "slipway" else []
        return seen.traced(load_profile(self.name, sets), packets=TRACED, trace=False)

    @cached_property
    def taken(self) -> seen.Times:
        """When each character was taken."""
        return seen.takes(self.plain)

    @cached_property
    def crowded(self) -> tuple[Profile, Traced]:
        """A trial whose clock is so low that packets queue."""
        lowest = self.budget["output clock, lowest"].limit
        assert lowest is not None
        profile = self.clocked(Fraction(lowest) * 7 / 10)
        return profile, self.traced(profile, 2 * TRACED)

    @cached_property
    def interrupt_ns(self) -> float:
        """The longest interrupt."""
        node = self.profile.node[0]
        board = boards_of(self.profile, [[node]], paces_of(self.profile).nodes)[0]
        found = [worked(board).reception.longest_ns or 0]
        found += [task.cost for task in board.others()]
        return float(max(found))

    # --- edges

    def extra_clock_ns(self, marginal: bool = False) -> float:
        """From the end of the last period to the stop, by the clock that it is late at.

        Where a clock of frequency f first has one pulse too many, or a marginal one,
        the stop takes rise / f.
        """
        rise = Fraction(str(self.profile.node[0].output.rise))

        def late(hz: Fraction) -> bool:
            trial = played(self.clocked(hz), seed=3, packets=8)
            return any(one.extra or (marginal and one.marginal) for one in trial)

        start = Fraction(self.profile.node[0].output.clock_hz)
        return float(rise * NS_PER_S / edge(late, start, 40 * start))

    def lowest_clock(self) -> float:
        """The clock below which packets are not shown any more."""

        def fails(hz: Fraction) -> bool:
            changed = self.clocked(hz)
            trial = played(
                changed, seed=3, packets=4 * PACKETS, recording=self.recording
            )
            return any(one.shown < one.sent for one in trial)

        limit = self.budget["output clock, lowest"].limit
        assert limit is not None
        return float(edge(fails, Fraction(limit) * 5 / 4, Fraction(limit) * 3 / 4))

    def poll_ns(self) -> float:
        """How long a loop does not look, by the pitch at which one is lost by that."""
        deaf = self.budget["deaf time"].value
        assert deaf is not None

        def fails(baud: Fraction) -> bool:
            bus = self.profile.bus.model_copy(update={"baud": round(baud)})
            changed = self.profile.model_copy(update={"bus": bus})
            trial = seen.traced(changed, packets=PACKETS, trace=False)
            lost = trial.lost["ns"][:, None] - trial.shown["burst_ns"]
            apart = (lost < -2 * float(deaf)) | (lost > float(deaf))
            return bool(apart.all(axis=1).any())

        start = Fraction(self.profile.bus.baud)
        baud = edge(fails, start, 3 * start)
        return float(self.profile.bus.pitch.step * start / baud)


def edge(bad: Callable[[Fraction], bool], good: Fraction, end: Fraction) -> Fraction:
    """Where something begins to be bad, between a good value and a bad one."""
    assert not bad(good)
    assert bad(end)
    while abs(end - good) > RESOLUTION * good:
        middle = (good + end) / 2
        good, end = (good, middle) if bad(middle) else (middle, end)
    return end


# --- the lines ------------------------------------------------------------------------


def rows(watched: Watched) -> list[Row]:
    """Every line of a profile's budget that has a figure."""
    return [
        _row(watched, line)
        for line in watched.budget.lines
        if line.value is not None and not line.missing
    ]


def _row(watched: Watched, line: BudgetLine) -> Row:
    """One line."""
    assert line.value is not None
    if line.name in UNSEEN:
        return Row(line, float(line.value), None, UNSEEN[line.name])
    bound, worst, why, free = float(line.value), None, "", 0.0
    if line.name in OF_A_LIMIT:
        bound = float(line.limit or 0)
        why = LIMIT
    if line.name in CROWDED:
        profile, trial = watched.crowded
        crowded = budget(profile)[line.name].value
        assert crowded is not None
        bound, why = float(crowded), CROWD
        worst = float(CROWDED[line.name](trial))
    else:
        worst = float(SEEN[line.name](watched))
        why = why or (AVERAGE if line.part == "light" else "")
    if line.unit == "ns":
        free = watched.interrupt_ns
    elif line.unit in ("characters", "nodes"):
        free = 1.0
    return Row(line, bound, worst, why, free)


def _most(name: str) -> Callable[[Watched], float]:
    """The greatest of a measure over the nodes."""
    return lambda watched: max(getattr(one, name) for one in watched.trial)


def _character(watched: Watched) -> float:
    """The longest time between two starts of one packet."""
    trial, row = watched.plain, watched.plain.mine[0]
    first = int(row["first"]) + 1  # a break may be the one before
    starts = trial.starts[first : first + int(row["octets"]) - 1]
    return float(np.diff(starts).max())


def _own_load(watched: Watched) -> float:
    """The share of whole frames that own packets took."""
    rows_of = watched.plain.rows
    own = rows_of[rows_of["frame"] >= 0]
    took = own["last_bit_ns"] - own["start_ns"] + _silence(watched)
    frames = len(np.unique(own["frame"]))
    return float(took.sum()) * watched.profile.traffic.frame_rate_hz / frames / NS_PER_S


def _foreign_load(watched: Watched) -> float:
    """The share that foreign packets took; they are random, whatever own ones are."""
    trial = watched.shipped
    foreign = trial.rows[trial.rows["frame"] < 0]
    took = foreign["last_bit_ns"] - foreign["start_ns"]
    return float(took.sum()) / trial.span_ns


def _silence(watched: Watched) -> int:
    """The silence that follows a packet."""
    packet = watched.profile.packet
    return (packet.silence_ns or 0) if packet.framing == "silence" else 0


def _frame(watched: Watched) -> float:
    """The longest that all own packets of a frame took."""
    rows_of = watched.plain.rows
    own = rows_of[rows_of["frame"] >= 0]
    took = own["last_bit_ns"] - own["start_ns"] + _silence(watched)
    return float(np.bincount(own["frame"], took).max())


def _frame_rate(watched: Watched) -> float:
    """Frames a second, by the starts of their first packets."""
    rows_of = watched.plain.rows
    own = rows_of[rows_of["frame"] >= 0]
    _, first = np.unique(own["frame"], return_index=True)
    starts = own["start_ns"][first]
    return float((len(starts) - 1) * NS_PER_S / (starts[-1] - starts[0]))


def _room(watched: Watched) -> float:
    """How many nodes more can be sent to."""
    for more in range(64):
        nodes = [*watched.profile.node]
        nodes += [
            nodes[-1].model_copy(update={"name": f"more {k}", "address": 100 + k})
            for k in range(more + 1)
        ]
        try:
            refuse(
                watched.profile.model_copy(update={"node": nodes}), watched.recording
            )
        except BenchError:
            return float(more)
    raise AssertionError("no end of nodes")


def _skew(watched: Watched) -> float:
    """The greatest spread of one frame's shown times."""
    times: dict[int, list[int]] = {}
    for one in watched.trial:
        for frame, ns in zip(*(column.tolist() for column in one.ends), strict=True):
            times.setdefault(frame, []).append(ns)
    return float(max(max(all_) - min(all_) for all_ in times.values()))


def _late(watched: Watched) -> float:
    """How late a character was taken."""
    node = watched.profile.node[0]
    paces = paces_of(watched.profile).nodes
    board = boards_of(watched.profile, [[node]], paces)[0]
    return float(seen.late_ns(watched.plain, watched.taken, board.group))


def _filling(watched: Watched) -> float:
    """Most characters in the FIFO; a FIFO of one that is polled has one, or none."""
    if watched.plain.spec.receive.method == "poll":
        return float(watched.plain.spec.uart.fifo)
    return float(seen.filling(watched.plain, watched.taken))


def _at_a_time(watched: Watched) -> float:
    """Characters that an interrupt took, on average; a loop takes one."""
    trial = watched.plain
    if trial.spec.receive.method == "poll":
        return 1.0
    begins, _ = seen.receiving(trial)
    which = np.searchsorted(begins, watched.taken, "right")
    return float(np.median(np.unique(which, return_counts=True)[1]))


def _rearranged(watched: Watched) -> float:
    trial = watched.plain
    return float((seen.rearranged(trial) - trial.mine["last_bit_ns"]).max())


def _held(watched: Watched) -> float:
    """How long a receive buffer was taken."""
    trial = watched.plain
    return float((seen.rearranged(trial) - trial.mine["start_ns"]).max())


def _deaf(watched: Watched) -> float:
    """From the last bit to the burst."""
    trial = watched.plain
    return float((trial.shown["burst_ns"] - trial.mine["last_bit_ns"]).max())


def _busy(watched: Watched) -> float:
    """The processor's time over that of whole frames."""
    trial, profile = watched.plain, watched.profile
    frames = len(np.unique(trial.mine["frame"]))
    return trial.busy_ns / (frames * NS_PER_S / profile.traffic.frame_rate_hz)


def _set_up(watched: Watched) -> float:
    return float(seen.words_late(watched.plain) + watched.plain.spec.output.setup_ns)


def _bit(watched: Watched) -> float:
    begins, ends = watched.plain.interrupts[int(BIT)]
    return float((ends - begins).max())


def _pattern(watched: Watched) -> float:
    """What the channels drew on average, by what was shown."""
    profile, trial = watched.profile, watched.plain
    wide = profile.node[0].output.channel.bits == 16
    numbers = trial.data.view(">u2") / 65_535 if wide else trial.data / 255
    full = watched.budget["all at full"].value
    return float(numbers.mean() * float(full or 0))


def _interval(trial: Traced) -> float:
    """From burst to burst, once they queue."""
    return float(np.median(np.diff(trial.shown["burst_ns"])[4:]))


SEEN: dict[str, Callable[[Watched], float]] = {
    "character": _character,
    "packet": lambda watched: _most("packet_ns")(watched) + _silence(watched),
    "frame": _frame,
    "bus load": lambda watched: _own_load(watched) + _foreign_load(watched),
    "frame rate": _frame_rate,
    "room for nodes": _room,
    "foreign traffic": _foreign_load,
    "skew": _skew,
    "FIFO slack": _late,
    "ring slack": _late,
    "poll interval": Watched.poll_ns,
    "FIFO filling": _filling,
    "ring filling": _filling,
    "interrupt share": lambda watched: seen.share(watched.plain),
    "characters at a time": _at_a_time,
    "deaf time": _deaf,
    "rearranged": _rearranged,
    "receive buffers": _held,
    "processor load": _busy,
    "burst": _most("burst_ns"),
    "output clock, lowest": Watched.lowest_clock,
    "output clock, highest": lambda watched: (
        float(Fraction(str(watched.profile.node[0].output.rise)) * NS_PER_S)
        / watched.extra_clock_ns()
    ),
    "stop": Watched.extra_clock_ns,
    "marginal band": lambda watched: watched.extra_clock_ns(marginal=True),
    "set-up": _set_up,
    "bit interrupt": _bit,
    "bit wait": lambda watched: float(seen.tick_waits(watched.plain)),
    "lane bit error": lambda watched: float(seen.bit_error(watched.plain)),
    "pause in a burst": lambda watched: float(seen.pause(watched.plain)),
    "first bit out": _most("first_ns"),
    "shown": _most("shown_ns"),
    "pattern": _pattern,
}
"""How the worst of each line is seen."""

CROWDED: dict[str, Callable[[Traced], float]] = {
    "output interval": _interval,
    "latch gap": lambda trial: float(seen.gaps(trial)[0]),
}
"""Lines about what lies between bursts."""

OF_A_LIMIT = ("output clock, lowest", "output clock, highest")
"""Lines whose limit is the figure that is worked out."""
