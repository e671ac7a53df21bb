"""What a live link has to say of itself: counts, stalls, how well the plan was held.

It claims no more than was seen.  Accepted is what the transport took; confirmed is what
is known to have left it or was heard back.  Spacing on the wire is *proven* by a
capture alone, *bounded* where time and a measured bit rate leave room for so much rest
only, and otherwise *unproven*.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.units import format_count, format_ns
from bench.link.evidence import Evidence
from bench.link.percentiles import Histogram

if TYPE_CHECKING:
    from bench.link.live.rules import LiveRules
    from bench.link.pacer import PacingReport
    from bench.link.transport import Can, Told

_NOTED = 4096
"""Write calls that are taken into the figures together."""


@dataclass(slots=True)
class Stretches:
    """Stretches of time in which something was not as it should be.

    Attributes:
        times: How many.
        ns: How long in all; None where one of them is not observable.
        longest_ns: The longest, likewise.
        first_ns: When the first was noticed.
    """

    times: int = 0
    ns: int | None = 0
    longest_ns: int | None = 0
    first_ns: int | None = None

    def add(self, ns: int | None, at_ns: int) -> None:
        """One more, noticed at an instant of the trial; None: of unknown length."""
        self.times += 1
        if ns is None or self.ns is None or self.longest_ns is None:
            self.ns = self.longest_ns = None
        else:
            self.ns += ns
            self.longest_ns = max(self.longest_ns, ns)
        if self.first_ns is None:
            self.first_ns = at_ns

    def as_dict(self) -> dict[str, int | None]:
        """The figures, as strict JSON."""
        return {
            "times": self.times,
            "ns": self.ns,
            "longest_ns": self.longest_ns,
            "first_ns": self.first_ns,
        }

    def __str__(self) -> str:
        if self.ns is None or self.longest_ns is None:
            return f"{_times(self.times)}, for how long is not observable"
        text = f"{_times(self.times)}, {format_ns(self.ns)} in all"
        if self.times > 1:
            text += f", {format_ns(self.longest_ns)} at worst"
        return text


@dataclass(slots=True)
class Breaks:
    """Breaks that were sent, as they were measured around the calls that made them."""

    count: int = 0
    least_ns: int | None = None
    most_ns: int | None = None

    def add(self, ns: int) -> None:
        """One more."""
        self.count += 1
        self.least_ns = ns if self.least_ns is None else min(self.least_ns, ns)
        self.most_ns = ns if self.most_ns is None else max(self.most_ns, ns)


@dataclass(slots=True)
class Account:
    """Counts of one live link.

    Attributes:
        lead_ns: What is queued at most, in time on the line.
        offered: Characters that the plan had for it.
        accepted: Those that the transport took.
        left_out: Pads that go into no datagram.
        heard: Octets that came back.
        dry: Nothing was there to be sent, in the middle of a run.
        no_room: The transport took nothing, for longer than the lead.
        out: The link was lost, and came back.
        moved_ns: By how much the plan was moved, in all.
        drift_ns: How much of that only follows the adapter's own bit rate.
        breaks: Breaks.
        lost: Why the link is lost, and when in the trial.
        realtime: "granted", why not, or None where nobody asked.
    """

    lead_ns: int
    offered: int = 0
    accepted: int = 0
    left_out: int = 0
    heard: int = 0
    dry: Stretches = field(default_factory=Stretches)
    no_room: Stretches = field(default_factory=Stretches)
    out: Stretches = field(default_factory=Stretches)
    moved_ns: int = 0
    drift_ns: int = 0
    breaks: Breaks = field(default_factory=Breaks)
    lost: tuple[str, int] | None = None
    realtime: str | None = None
    least_lead_ns: int | None = None
    _pieces: Histogram = field(default_factory=Histogram)
    _recent: Histogram = field(default_factory=Histogram)
    _late_ns: array[int] = field(default_factory=lambda: array("q"))

    def stalled(self, ns: int, at_ns: int) -> None:
        """The transport took nothing for so long; noticed at an instant of the trial.

        That is of no matter as long as enough is queued.
        """
        if ns > self.lead_ns:
            self.no_room.add(ns, at_ns)

    def handed_over(self, late_ns: int, lead_ns: int) -> None:
        """A piece inside a run went over: how late, and how long before the end."""
        self._late_ns.append(late_ns)
        if self.least_lead_ns is None or lead_ns < self.least_lead_ns:
            self.least_lead_ns = lead_ns
        if len(self._late_ns) >= _NOTED:
            self._note()

    def counts(self, confirmed: int | None) -> dict[str, int | None]:
        """What only grows, or is not observable."""
        return {
            "offered": self.offered,
            "accepted": self.accepted,
            "confirmed": confirmed,
            "heard": self.heard,
            "queue_dry": self.dry.times,
            "queue_dry_ns": self.dry.ns,
            "back_pressure": self.no_room.times,
            "back_pressure_ns": self.no_room.ns,
            "reopened": self.out.times,
            "moved_ns": self.moved_ns,
        }

    def lately(self) -> Histogram:
        """Lateness of pieces since the last call."""
        self._note()
        recent, self._recent = self._recent, Histogram()
        return recent

    def _note(self) -> None:
        late_ns = np.maximum(np.array(self._late_ns, np.int64), 0)
        self._pieces.add(late_ns)
        self._recent.add(late_ns)
        self._late_ns = array("q")

    def evidence(self, side: Side) -> Evidence:
        """All of it, and what follows for the verdict."""
        self._note()
        pieces, runs = self._pieces.percentiles(), side.placed
        grade, why = graded(side)
        figures: dict[str, Any] = {
            "counts": self.counts(side.confirmed),
            "left_out": self.left_out,
            "pacing": {
                "way": side.rules.pacing,
                "grade": grade,
                "why": why,
                "lead_ns": side.rules.lead_ns,
                "least_lead_ns": self.least_lead_ns,
                "moved_ns": self.moved_ns,
                "drift_ns": self.drift_ns,
                "realtime": self.realtime,
            },
            "queue_dry": self.dry.as_dict(),
            "back_pressure": self.no_room.as_dict(),
            "outages": self.out.as_dict(),
            "lost": None,
            "writes": {
                "runs": runs.packets,
                "lateness_ns": runs.lateness.as_dict() if runs.lateness else None,
                "spacing_ns": runs.spacing.as_dict() if runs.spacing else None,
                "largest_burst": runs.largest_burst,
                "late": runs.late,
                "pieces": self._pieces.total,
                "piece_lateness_ns": pieces.as_dict() if pieces else None,
            },
            "breaks": {
                "count": self.breaks.count,
                "least_ns": self.breaks.least_ns,
                "most_ns": self.breaks.most_ns,
            },
            "transport": {
                "facts": dict(side.told.facts),
                "counts": dict(side.told.counts),
            },
        }
        if self.lost is not None:
            figures["lost"] = {"cause": self.lost[0], "at_ns": self.lost[1]}
        void, notes = tuple(self._void(side)), tuple(self._notes(side))
        return Evidence(figures, (), void, notes, void)

    def _void(self, side: Side) -> list[str]:
        """Why the bench did not do what the plan says."""
        void = []
        if self.lost is not None:
            cause, at_ns = self.lost
            void.append(f"{cause}, {format_ns(at_ns)} into the trial")
        if self.out.times:
            void.append(f"the link was lost and came back: {self.out}")
        if self.no_room.times:
            text = f"the link took nothing for longer than the lead: {self.no_room}"
            void.append(text)
        if self.dry.times:
            void.append(f"the queue of the link ran dry: {self.dry}")
        if side.rules.pacing == "timed" and (fault := side.placed.fault) is not None:
            void.append(str(fault))
        return void

    def _notes(self, side: Side) -> list[str]:
        """What a reader has to know beside the numbers."""
        notes = list(side.told.notes)
        if self.left_out:
            text = "pads go into no datagram, and were not sent"
            notes.append(f"{format_count(self.left_out)} {text}")
        if self.realtime not in (None, "granted"):
            notes.append(f"no real-time priority: {self.realtime}")
        return notes


@dataclass(frozen=True, slots=True)
class Side:
    """What stands beside the account when it is told.

    Attributes:
        rules: How the link behaves.
        can: What the transport can do.
        told: What it says of itself.
        placed: How well the starts of runs were placed.
        confirmed: Characters known to have left or heard back; None: not observable.
        busy_ns: Time that all accepted characters take on the line.
        baud: Bits a second that the plan goes by.
        elapsed_ns: From the first character to where the line is free.
    """

    rules: LiveRules
    can: Can
    told: Told
    placed: PacingReport
    confirmed: int | None
    busy_ns: int
    baud: int
    elapsed_ns: int


def graded(side: Side) -> tuple[str, str]:
    """How well the spacing on the wire is known, and why no better.

    The bound is from elapsed time against characters at the measured bit rate; its
    floor is what a lead may hide at the end.
    """
    if side.rules.pacing == "timed":
        return "unproven", "of timed packets only the write calls are observable"
    if not side.can.keeps_baud:
        return "unproven", "nothing below this link keeps the bit rate"
    if side.rules.measured_baud is None or not side.confirmed or not side.elapsed_ns:
        return "unproven", "the adapter's bit rate was not measured"
    busy_ns = side.busy_ns * side.baud / side.rules.measured_baud
    idle = max(0.0, 1 - busy_ns / side.elapsed_ns)
    floor = side.rules.lead_ns / side.elapsed_ns
    share = max(idle, floor)
    return (
        "bounded",
        f"idle share at most {share:.2g}, of which the floor is {floor:.2g}",
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
