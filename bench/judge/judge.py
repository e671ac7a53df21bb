"""The judge: what was sent against what was seen, chunk by chunk.

It owns the recent past of the line, matches every burst with a packet, measures, finds
causes, and sums up.  What it keeps is bounded by a window of time, not by the length of
the trial.  What a link cannot observe is None in everything that comes out of here.

How sums relate: once a trial is finished, offered = shown + lost + corrupt.  A packet
that turns up after it was passed over is taken off the lost ones, so the counts of
intervals add up to those of the trial, and one of them may be below zero.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import DROPPED, LOST, SHOWN, Flaw, Seen, no_octets, no_rows
from bench.judge.histogram import QUANTILE_TYPE
from bench.judge.kept.details import Details
from bench.judge.kept.history import History
from bench.judge.kept.tally import COUNTED, Limits, Tally
from bench.judge.kept.terms import (
    addressees_of,
    held,
    shares_of,
    unwrapping,
    window_of,
)
from bench.judge.match import Matcher
from bench.judge.statistics import ASSUMPTION, binomial_upper, packets_needed
from bench.judge.verdict import Verdict, decide
from bench.link.evidence import NO_EVIDENCE
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from bench.base.columns import Line, Sent
    from bench.judge.kept.intervals import Interval
    from bench.link.evidence import Evidence
    from bench.link.observes import Observes
    from bench.profile.model import Node, Profile

_WEDGED = 16
"""Packets in a row, beyond those that it may still hold, that a node must have kept
quiet about before it can be called wedged."""

_CHANCE = 1e-6
"""What a silence that says anything has a smaller chance than."""

_RATES = {"1e-4": 1e-4, "1e-5": 1e-5, "1e-6": 1e-6}


class Judge:
    """Judges one trial.

    Attributes:
        seen_ns: The latest instant of the trial at which a node showed anything; -1:
            none did.
    """

    def __init__(
        self, profile: Profile, observes: Observes, *, details: bool = False
    ) -> None:
        """Begin a trial.

        Args:
            profile: The profile, at the point that is tried.
            observes: What the link can see of the nodes.
            details: Whether each interval is told so that a whole trial can be summed
                up from them: node by node, with its times and causes.
        """
        self._profile = profile
        self._observes = observes
        format_ = format_of(profile.packet)
        self._history = History(unwrapping(format_), shares_of(profile))
        nodes = profile.node
        self._matcher = Matcher(
            addressees_of(profile, observes),
            self._history,
            window_of(profile, observes),
            observes.nodes,
        )
        longest = format_.longest_stuffed(format_.layout.longest)
        character_ns = profile.bus.character.step
        limits = Limits(nodes, profile.accept.latency_ns, longest, character_ns)
        self._tally = Tally(limits, observes, self._history, self._matcher)
        self._lost_characters = np.zeros(len(nodes), np.int64)
        self._unjudged = np.zeros(len(nodes), np.int64)
        self._characters = 0
        self._pitch = profile.bus.pitch
        self._line_ns: tuple[int, int] | None = None
        self._finished = False
        self.seen_ns = -1
        self._told: dict[str, Any] = {}
        self._details: Details | None = None
        if details:
            self._details = Details(self._tally, self._lost_characters, observes)

    def take(self, line: Line, sent: Sent, seen: Seen) -> None:
        """Judge one chunk.

        Args:
            line: The characters on the line.
            sent: The packets that end among them.
            seen: What is known of the nodes since the last chunk.
        """
        rows = self._history.add(line, sent)
        self._count_line(line)
        if len(seen.shown):
            # Where a link has no times of its own, it was seen by the chunk's end.
            times = seen.shown["first_bit_ns"] if self._observes.times else ()
            self.seen_ns = max(self.seen_ns, int(max(times, default=seen.until_ns)))
        nodes = len(self._lost_characters)
        self._lost_characters += np.bincount(seen.lost["node"], minlength=nodes)
        self._tally.take_bursts(seen)
        self._tally.take(self._matcher.take(rows, seen), seen)
        self._forget()

    def finish(self, until_ns: int) -> None:
        """End the trial: what still waits is lost.

        Args:
            until_ns: Nothing that was shown later was seen.  A packet whose last bit
                came after it was never judged and counts as not offered, so the caller
                allows for the longest latency that is still of interest.  Nor was one
                offered that is still held, since the sync that would show it was never
                sent, or came before the packet was rearranged.
        """
        self._tally.take(self._matcher.finish(until_ns), _nothing_seen(until_ns))
        self._tally.frames.close_all()
        self._unjudged = self._matcher.pending()
        self.cut()
        self._tally.intervals.leave(self._unjudged)
        self._finished = True

    def cut(self) -> None:
        """Let an interval end: what comes from here on counts with the next."""
        now = self.counts()
        told = _less(now, self._told)
        del told["packets"]
        self._told = now
        if self._details is not None:
            told |= self._details.since()
        ends = self._matcher.nodes["end"]
        self._tally.intervals.cut(self._history.rows.end, ends, told)

    def settled(self, most: int) -> list[dict[str, Any]]:
        """The intervals that have ended and whose packets are all decided.

        Each is told once, in order: packets by when they were sent, everything else by
        when it was seen.

        Args:
            most: So many of them at most.
        """
        undecided = self._matcher.first_undecided()
        if self._finished:
            undecided = self._history.rows.end
        records = []
        for interval in self._tally.intervals.settled(undecided, most):
            record = {"packets": self._sent_in(interval), **interval.told}
            if self._details is not None:
                record |= self._details.of(interval)
            records.append(record)
        return records

    def counts(self) -> dict[str, Any]:
        """Everything that is counted so far, for all nodes."""
        seen, every = self._observes, slice(None)
        bursts = self._bursts(every)
        del bursts["least_gap_ns"], bursts["lane_skew_ns"]  # no counts
        return {
            "packets": self._packets(every),
            "bursts": bursts,
            "dropped_frames": self._tally.frames.dropped if seen.shown else None,
            "characters": self._characters,
            "lost_characters": self._lost(every),
            **self._dark(every, self._profile.node),
        }

    def anomalies(self) -> list[dict[str, Any]]:
        """What went wrong since the last call, in detail as far as it is kept."""
        return self._tally.anomalies.drain()

    def result(
        self, void: Sequence[str] = (), evidence: Evidence = NO_EVIDENCE
    ) -> Verdict:
        """The verdict on the trial so far.

        Args:
            void: Why the bench did not do what the plan says; empty if it did.
            evidence: What the link knows beside what was seen.
        """
        return decide(self._figures(), self._profile.accept, void, evidence)

    # --- along the way ----------------------------------------------------------------

    def _count_line(self, line: Line) -> None:
        """Characters on the line, and from when to when."""
        if not len(line.octets):
            return
        breaks = int(np.count_nonzero(line.flaws["kind"] == Flaw.BREAK))
        self._characters += len(line.octets) - breaks
        last = line.runs[-1]
        length_ns = self._pitch.at(len(line.octets) - int(last["first"]))
        first_ns = int(line.runs[0]["start_ns"])
        if self._line_ns is not None:
            first_ns = self._line_ns[0]
        self._line_ns = first_ns, int(last["start_ns"]) + length_ns

    def _forget(self) -> None:
        """Drop what no burst to come can concern."""
        floor_ns = self._matcher.floor_ns
        frame = self._history.first_frame(floor_ns)
        if frame is not None:
            self._tally.frames.close(frame)
        self._history.forget(floor_ns)
        undecided = self._matcher.first_undecided()
        self._tally.evidence.forget(self._history.first_character(undecided))

    # --- summed up --------------------------------------------------------------------

    def _packets(self, which: slice | int) -> dict[str, int | None]:
        """Counts of packets, of all nodes or of one."""
        offered = self._matcher.nodes["end"] - self._unjudged - self._tally.held
        return self._visible(offered, self._tally.counts, which)

    def _sent_in(self, interval: Interval) -> dict[str, int | None]:
        """Counts of the packets that were sent in one interval."""
        return self._visible(interval.offered, interval.counts, slice(None))

    def _visible(
        self,
        offered: NDArray[np.int64],
        counts: Mapping[str, NDArray[np.int64]],
        which: slice | int,
    ) -> dict[str, int | None]:
        """Counts of packets as far as they are observable."""
        packets: dict[str, int | None] = {"offered": int(offered[which].sum())}
        seen = self._observes
        for word in COUNTED:
            visible = seen.shown
            if word in ("corrupt", "repeated", "out_of_order", "ambiguous"):
                visible = seen.shown and seen.data
            elif word == "late":
                visible = seen.shown and seen.data and seen.times
            packets[word] = int(counts[word][which].sum()) if visible else None
        return packets

    def _bursts(self, which: slice | int) -> dict[str, int | None]:
        """Counts of bursts, of all nodes or of one."""
        seen, bursts = self._observes, self._tally.bursts
        least = int(bursts.least_gap_ns[which].min())
        skew = int(bursts.lane_skew_ns[which].max())
        timed = seen.shown and seen.times
        return {
            "count": int(bursts.count[which].sum()) if seen.shown else None,
            "wrong_clocks": int(bursts.wrong[which].sum()) if seen.clocks else None,
            "marginal": int(bursts.marginal[which].sum()) if seen.marginal else None,
            "least_gap_ns": least if timed and least < _NEVER else None,
            "short_gaps": int(bursts.below[which].sum()) if timed else None,
            "lane_skew_ns": skew if timed and skew >= 0 else None,
        }

    def _dark(self, which: slice | int, nodes: Sequence[Node]) -> dict[str, int | None]:
        """Bursts of darkness after silence, where nodes are to have any."""
        if all(node.processor.on_silence != "blackout" for node in nodes):
            return {}
        count = int(self._tally.blackouts[which].sum())
        return {"blackouts": count if self._observes.shown else None}

    def _lost(self, which: slice | int) -> int | None:
        """Characters that receivers lost."""
        lost = self._lost_characters[which].sum()
        return int(lost) if self._observes.lost else None

    def _figures(self) -> dict[str, Any]:
        """All that a verdict is made from, as strict JSON."""
        counts, tally, seen = self.counts(), self._tally, self._observes
        timed = seen.shown and seen.data and seen.times
        loss = self._loss(counts["packets"])
        every = slice(None)
        return {
            "shown_on": self._shown_on(),
            "packets": counts["packets"],
            "dropped_frames": counts["dropped_frames"],
            "loss_rate": loss["rate"],
            "loss_upper": loss["upper"],
            "confidence": self._profile.accept.confidence,
            "loss": loss,
            "bursts": self._bursts(every),
            **self._dark(every, self._profile.node),
            "latency_ns": self._latency(),
            "skew_ns": tally.frames.skew_ns.as_dict() if timed else None,
            "spread_ns": self._spread(),
            "quantiles": QUANTILE_TYPE,
            "line": self._line(),
            "lost_characters": counts["lost_characters"],
            **self._synced(),
            "causes": tally.causes.as_list(),
            **({"gives_first": first} if (first := tally.losses.gives_first()) else {}),
            "nodes": [self._node(k, node) for k, node in enumerate(self._profile.node)],
        }

    def _shown_on(self) -> str:
        """What the nodes show packets on: each as it comes, a sync, or either."""
        ways = {node.processor.show for node in self._profile.node}
        return ways.pop() if len(ways) == 1 else "packet or sync"

    def _synced(self) -> dict[str, int | None]:
        """Packets held at the end, and ones shown on a later sync than the next."""
        if self._shown_on() == "packet":
            return {}
        seen, tally = self._observes, self._tally
        timed = seen.shown and seen.data and seen.times
        return {
            "held": int((self._unjudged + tally.held).sum()),
            "later_sync": int(tally.later_sync.sum()) if timed else None,
        }

    def _latency(self) -> dict[str, dict[str, int | None] | None]:
        """From a packet's last bit, its wait for a sync included; and from the sync."""
        tally, seen = self._tally, self._observes
        times = {"first_bit": tally.first_bit_ns, "shown": tally.shown_ns}
        if self._shown_on() != "packet":
            times["after_sync"] = tally.synced_ns
        timed = seen.shown and seen.data and seen.times
        return {key: t.as_dict() if timed else None for key, t in times.items()}

    def _spread(self) -> dict[str, dict[str, list[int]]] | None:
        """How latency and skew are distributed; None where there are no times."""
        tally, seen = self._tally, self._observes
        if not (seen.shown and seen.data and seen.times):
            return None
        times = {"first_bit": tally.first_bit_ns, "shown": tally.shown_ns}
        if self._shown_on() != "packet":
            times["after_sync"] = tally.synced_ns
        times["skew"] = tally.frames.skew_ns
        return {key: one.spread() for key, one in times.items()}

    def _loss(self, packets: dict[str, int | None]) -> dict[str, Any]:
        """The loss rate (RFC 1242's, of packets), and what bounds it."""
        confidence = self._profile.accept.confidence
        offered, shown = packets["offered"], packets["shown"]
        rate = upper = None
        if offered and shown is not None:
            rate = (offered - shown) / offered
            upper = binomial_upper(offered - shown, offered, confidence)
        return {
            "n": offered,
            "rate": rate,
            "upper": upper,
            "confidence": confidence,
            "assumes": ASSUMPTION,
            "packets_needed": {
                text: packets_needed(rate, confidence) for text, rate in _RATES.items()
            },
        }

    def _line(self) -> dict[str, Any]:
        """What was on the bus; the offered load is RFC 2285's."""
        load = None
        lasted_ns = None
        if self._line_ns is not None:
            lasted_ns = self._line_ns[1] - self._line_ns[0]
            busy_ns = self._characters * self._profile.bus.character.step
            load = float(busy_ns / lasted_ns) if lasted_ns else None
        return {
            "characters": self._characters,
            "lasted_ns": lasted_ns,
            "offered_load": load,
        }

    def _node(self, k: int, node: Node) -> dict[str, Any]:
        """The figures of one node; only its name where it is not watched."""
        watched = self._observes.nodes is None or k in self._observes.nodes
        figures: dict[str, Any] = {
            "name": node.name,
            "address": node.address,
            "observed": watched and self._observes.shown,
        }
        if not watched:
            return figures
        latest = int(self._tally.latest_ns[k])
        return figures | {
            "packets": self._packets(k),
            "bursts": self._bursts(k),
            **self._dark(k, [node]),
            "lost_characters": self._lost(k),
            "latest_ns": latest if latest >= 0 else None,
            "silent_packets": self._silent(k, node),
        }

    def _silent(self, k: int, node: Node) -> int | None:
        """Packets at the end of which a node that worked showed nothing, or 0.

        Only a silence that its losses before do not explain: longer than `_WEDGED`, and
        with a chance below `_CHANCE` if they were independent.
        """
        if not self._observes.shown or not self._finished:
            return None
        state = self._matcher.nodes[k]
        alive, silent = int(state["alive"]), int(state["pulled"] - state["alive"])
        own = silent - held(node)
        if alive <= 0 or own < _WEDGED:
            return 0
        lost = max(0.0, 1 - int(self._tally.counts["shown"][k]) / alive)
        return silent if lost**own < _CHANCE else 0


_NEVER = np.iinfo(np.int64).max
"""The least gap where there was none."""


def _nothing_seen(until_ns: int) -> Seen:
    """A chunk in which no node did anything."""
    return Seen(no_rows(SHOWN), no_octets(), no_rows(DROPPED), no_rows(LOST), until_ns)


def _less(now: dict[str, Any], told: dict[str, Any]) -> dict[str, Any]:
    """Counts less those told before; what is not observable stays None."""
    since: dict[str, Any] = {}
    for key, value in now.items():
        if isinstance(value, dict):
            since[key] = _less(value, told.get(key, {}))
        else:
            since[key] = None if value is None else value - told.get(key, 0)
    return since
