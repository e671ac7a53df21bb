"""One value tried: a few short trials to find the way, long ones to decide.

Where something is drawn, one trial is one draw, so a value is tried with several seeds,
and a board is tried several times.  A value is as good as the worst of its trials.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.base.grid import NS_PER_S
from bench.trial.edge.search import Rating
from bench.trial.sweep.axes import SEED, Axis
from bench.trial.sweep.hands import Died
from bench.trial.sweep.point import Job, Task
from bench.trial.sweep.state import State

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from fractions import Fraction

    from bench.profile.model import Profile
    from bench.trial.sweep.hands import Hands, Record, Stop
    from bench.trial.sweep.scale import Scale
    from bench.trial.sweep.template import Template

REPEATS = 3
"""Trials of one value where something is drawn, or where boards are real."""

SEARCH_NS = NS_PER_S
"""How long a trial is that only finds the way."""

SEARCH_FRAMES = 20
"""Frames that it has at least."""

DECIDE_NS = 60 * NS_PER_S
"""How long the trials of a value are together that decide (RFC 2544, section 24)."""

_RATINGS = {
    State.PASS: Rating.GOOD,
    State.MARGINAL: Rating.MARGINAL,
    State.FAIL: Rating.BAD,
    State.REFUSED: Rating.BAD,
}

_WORST = (
    State.DIED,
    State.SKIPPED,
    State.VOID,
    State.REFUSED,
    State.FAIL,
    State.MARGINAL,
    State.PASS,
)
"""States, the one that says most about a value first."""


class Stopped(Exception):  # noqa: N818 (no error)
    """A signal came."""


class Silent(Exception):  # noqa: N818 (no error)
    """A trial says nothing about its value."""


@dataclass(frozen=True, slots=True)
class Lengths:
    """How long trials are.

    Attributes:
        search_ns: Each trial that finds the way.
        decide_ns: All trials of one value that decide.
        packets: Of each trial at most; None: no limit.
    """

    search_ns: int
    decide_ns: int
    packets: int | None = None


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of one value.

    Attributes:
        value: The value.
        text: As a profile writes it.
        records: One of each trial.
        deciding: Whether they were long.
    """

    value: Fraction
    text: str
    records: tuple[Record, ...]
    deciding: bool

    @property
    def worst(self) -> Record:
        """The record of the trial that says most."""
        return min(self.records, key=lambda one: _WORST.index(State(one["state"])))

    @property
    def state(self) -> State:
        """What became of it."""
        return State(self.worst["state"])

    @property
    def rating(self) -> Rating:
        """What it is worth.

        Raises:
            Silent: If it cannot be said.
        """
        if self.state not in _RATINGS:
            raise Silent(f"at {self.text}: {self.worst['reason']}")
        return _RATINGS[self.state]

    def count(self, word: str) -> int:
        """Packets of one kind in all trials."""
        return sum((one.get("packets") or {}).get(word) or 0 for one in self.records)

    def as_dict(self) -> dict[str, Any]:
        """As strict JSON."""
        offered, shown = self.count("offered"), self.count("shown")
        return {
            "value": number(self.value),
            "text": self.text,
            "state": self.state.value,
            "trials": len(self.records),
            "deciding": self.deciding,
            "offered": offered,
            "shown": shown,
            "loss_rate": (offered - shown) / offered if offered else None,
            "cause": self.worst["cause"],
        }


class Prober:
    """Tries values.

    Attributes:
        tried: Every value that was, in the order of trying.
    """

    def __init__(
        self,
        template: Template,
        axis: tuple[str, Scale],
        seeds: Sequence[int],
        lengths: Lengths,
        hands: Hands,
        note: Callable[[Tried], None],
    ) -> None:
        """Get ready.

        Args:
            template: The profile.
            axis: What is varied, and what its values are.
            seeds: One trial with each of them.
            lengths: How long trials are.
            hands: Who tries.
            note: Told of each value.
        """
        self.tried: list[Tried] = []
        self._name, self._scale = axis
        self._template = template
        self._seeds = seeds
        self._lengths = lengths
        self._hands = hands
        self._note = note
        self._stop: Stop = lambda: None

    def obey(self, stop: Stop) -> None:
        """Ask whether to stop, from now on."""
        self._stop = stop

    def rate(self, value: Fraction) -> Rating:
        """Try a value shortly.

        Raises:
            Stopped: If a signal came.
            Silent: If it says nothing.
        """
        return self.try_shortly(value).rating

    def try_shortly(self, value: Fraction) -> Tried:
        """Try a value; raises `Stopped`."""
        return self._try(value, self._lengths.search_ns, deciding=False)

    def decide(self, value: Fraction) -> Tried:
        """Try a value for as long as it takes to decide; raises `Stopped`."""
        lengths = self._lengths
        each_ns = max(lengths.search_ns, lengths.decide_ns // len(self._seeds))
        return self._try(value, each_ns, deciding=True)

    def last(self, value: Fraction) -> Tried:
        """What is known of a value that was tried, the longest look first."""
        return max(
            (one for one in self.tried if one.value == value),
            key=lambda one: one.deciding,
        )

    def _try(self, value: Fraction, duration_ns: int, *, deciding: bool) -> Tried:
        text = self._scale.text(value)
        axes = [Axis(self._name, (text,))]
        points: list[tuple[str, ...]] = [(text,)]
        if self._name != SEED:
            seeds = tuple(str(seed) for seed in self._seeds)
            axes.append(Axis(SEED, seeds))
            points = [(text, seed) for seed in seeds]
        limits = self._lengths.packets, duration_ns, self._seeds[0]
        job = Job(self._template, tuple(axes), *limits)
        tasks = [Task(index, point) for index, point in enumerate(points)]
        records = []
        for _, came in self._hands.work(job, tasks, self._stop):
            if isinstance(came, Died):
                raise Silent(f"at {text}: whoever tried it died: {came.why}")
            records.append(came)
        if len(records) < len(tasks):
            raise Stopped
        made = Tried(value, text, tuple(records), deciding)
        self.tried.append(made)
        self._note(made)
        return made


def what_is_drawn(profile: Profile) -> list[str]:
    """What of a profile is drawn, so that one trial is only one draw."""
    traffic = profile.traffic
    drawn = []
    if any(node.output.transfer_jitter_ns for node in profile.node):
        drawn.append("transfer jitter")
    if traffic.dither:
        drawn.append("dither")
    if traffic.foreign.share:
        drawn.append("foreign traffic")
    return drawn


def search_ns_of(profile: Profile) -> int:
    """How long a trial is that only finds the way."""
    frames_ns = SEARCH_FRAMES * NS_PER_S / profile.traffic.frame_rate_hz
    return max(SEARCH_NS, round(frames_ns))


def number(value: Fraction) -> int | float:
    """A value as JSON has it."""
    return int(value) if value.denominator == 1 else float(value)
