"""What each node did in an upset, and what that says.

A packet that a node was sent is shown, unseen, or *missed*: not shown although it had
to be, because all that it needs had come before the upset (and, in a reset, its burst
was out), or because it begins when the node has to be itself again (`bound`).  The
packets that begin once the line is good are counted from 1: the node shows again at the
first of them that it shows.

A burst that shows no packet for the node is one of three: *dark*, what a node shows
that darkens when nothing comes; *by chance*, if the line held a packet that was never
sent and is sound in every way (`referee`); else *wrong*.

Latency and skew are not looked at: a node that shows again late is late by what was
measured here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.units import format_ns
from bench.profile.channels import dark_payload
from bench.trial.upset.bound import bound_of, settle_ns
from bench.trial.upset.named import At
from bench.trial.upset.referee import found_in
from bench.trial.upset.traffic import match

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.base.columns import Rows, Seen
    from bench.node.spec import NodeSpec
    from bench.profile.model import Profile
    from bench.trial.upset.line import Heard
    from bench.trial.upset.named import Upset
    from bench.trial.upset.referee import Found
    from bench.trial.upset.traffic import Own, Traffic

LEAST_AFTER = 3
"""Packets that a node must have had to show after its bound, or nothing is said."""


@dataclass(slots=True)
class NodeAccount:
    """What one node did.

    Attributes:
        name: Of the node.
        first: At which packet, counted from 1, it shows again; None: at none.
        after_ns: When that was shown, from when the line was good; None likewise.
        bound: The packet at which it has to; None: no bound.
        bound_ns: Packets that begin so long after the line was good have to be shown.
        why: What the bound is made of.
        unseen: Packets that were there to be received or shown when the upset began, or
            came later, and were not shown.
        missed: Packets that were not shown and had to be.
        by_luck: Packets that begin after the bound and were lost because the octets of
            another looked like a packet's beginning.
        wrong: Bursts that showed what was nowhere on the line, or once more.
        by_chance: Bursts that showed what was never sent, and passed every check.
        refused: What came as far as the check in the meantime, and was refused.
        dark: Bursts that showed darkness while there was traffic.
        halves: Bursts that a reset cut off, and that were shown half.
        faults: What is wrong with all that, the first to act on first.
        void: Why it says nothing.
    """

    name: str
    first: int | None = None
    after_ns: int | None = None
    bound: int | None = None
    bound_ns: int | None = None
    why: str = ""
    unseen: int = 0
    missed: int = 0
    by_luck: int = 0
    wrong: int = 0
    by_chance: int = 0
    refused: int = 0
    dark: int = 0
    halves: int = 0
    faults: list[str] = field(default_factory=list)
    void: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Case:
    """One upset, and all that is known of it beforehand.

    Attributes:
        profile: The profile.
        specs: Its nodes.
        upset: What happens.
        heard: What they hear.
        traffic: What is sent.
        calm: What each node is to show, and when it does without the upset.
    """

    profile: Profile
    specs: Sequence[NodeSpec]
    upset: Upset
    heard: Heard
    traffic: Traffic
    calm: Sequence[Sequence[Own]]

    @property
    def slack_ns(self) -> int:
        """How much before its last bit a packet can have been received."""
        return self.profile.bus.character.at(1)


def accounts(
    case: Case, seen: Seen, halves: Rows, figures: dict[str, Any]
) -> list[NodeAccount]:
    """What every node did.

    Args:
        case: The upset.
        seen: What the judge saw.
        halves: `SHOWN` rows of bursts that a reset cut off.
        figures: The judge's.
    """
    first = _first_heard(case)
    found = {
        spec.resync: found_in(case.heard.track, first, spec.packet, spec.resync)
        for spec in {spec.resync: spec for spec in case.specs}.values()
    }
    made = []
    for spec in case.specs:
        one = _Accountant(case, spec, found[spec.resync])
        one.packets_and_bursts(seen)
        one.judged(figures["nodes"][spec.index])
        one.account.halves = int((halves["node"] == spec.index).sum())
        made.append(one.account)
    return made


def _first_heard(case: Case) -> int:
    """The character from which on it matters what can be found in the line.

    That is where the last packet began before the upset, or where nodes began anew.
    """
    heard, rows = case.heard, case.traffic.sent.rows
    if heard.reset_ns is not None:
        return heard.track.started_by(heard.reset_ns)
    before = int(np.searchsorted(rows["start_ns"], heard.from_ns)) - 1
    return int(rows["first"][before]) if before >= 0 else 0


class _Accountant:
    """Makes the account of one node."""

    def __init__(self, case: Case, spec: NodeSpec, found: Found) -> None:
        self._case = case
        self._spec = spec
        self._found = found
        self._node = case.profile.node[spec.index]
        self.account = NodeAccount(self._node.name)
        bound = bound_of(case.profile, self._node, case.upset, case.heard)
        self._bound_ns = bound.from_ns
        self.account.why = bound.why
        self._owns = case.traffic.own(spec)

    def packets_and_bursts(self, seen: Seen) -> None:
        """Put bursts beside packets, and look at what is left of both."""
        shown = seen.shown[seen.shown["node"] == self._spec.index]
        data = seen.data.tobytes()
        during = self._case.heard.from_ns, self._case.heard.good_ns
        others = match(self._owns, shown, data, self._case.slack_ns, during)
        self._again()
        self._unseen()
        self._missed()
        for burst in shown[others]:
            at = int(burst["data_at"])
            held = data[at : at + int(burst["data_octets"])]
            self._other(held, int(burst["burst_ns"]), int(burst["shown_ns"]))
        self._tell_of_others()
        if self._case.upset.at is At.BETWEEN and self._spec.blackout_ns is not None:
            self._darkness(shown[others], data)

    def judged(self, figures: dict[str, Any]) -> None:
        """What the judge found of this node that no upset excuses."""
        accept, bursts = self._case.profile.accept, figures["bursts"]
        packets, faults = figures["packets"], self.account.faults
        rows = (
            (
                bursts["wrong_clocks"],
                accept.wrong_clocks,
                "with a wrong number of clocks",
            ),
            (bursts["marginal"], accept.marginal, "with a marginal clock"),
            (bursts["short_gaps"], 0, "begun before the latch gap had passed"),
        )
        for count, most, what in rows:
            if count is not None and count > most:
                faults.append(f"{self._name}: {_some(count, 'burst')} {what}")
        if packets["out_of_order"] and not packets["ambiguous"]:
            count = _some(packets["out_of_order"], "packet")
            faults.append(f"{self._name}: {count} shown out of order")

    @property
    def _name(self) -> str:
        return self.account.name

    # --- packets

    @property
    def _after(self) -> list[Own]:
        """Those to be shown that begin once the line is good."""
        good_ns = self._case.heard.good_ns
        return [own for own in self._owns if own.due and own.begin_ns >= good_ns]

    def _again(self) -> None:
        """At which packet it shows again, and at which it has to."""
        account, good_ns = self.account, self._case.heard.good_ns
        for number, own in enumerate(self._after, 1):
            if own.shown_ns is not None:
                account.first, account.after_ns = number, own.shown_ns - good_ns
                break
        until_ns = good_ns if self._bound_ns is None else self._bound_ns
        account.refused = self._found.refused(self._case.heard.from_ns, until_ns)
        if self._bound_ns is not None:
            early = [own for own in self._after if own.begin_ns < self._bound_ns]
            account.bound = len(early) + 1
            account.bound_ns = self._bound_ns - good_ns

    def _unseen(self) -> None:
        """How many of its packets went by."""
        heard = self._case.heard
        self.account.unseen = sum(
            own.due
            and own.end_ns is not None
            and own.shown_ns is None
            and (own.received_ns > heard.from_ns or not heard.off)
            for own in self._owns
        )

    def _missed(self) -> None:
        """What it had to show and did not."""
        account, faults = self.account, self.account.faults
        before = [own for own in self._before() if own.shown_ns is None]
        after = [own for own in self._after if own.end_ns is not None]
        if self._bound_ns is None:
            must = after[-LEAST_AFTER:]
        else:
            must = [own for own in after if own.begin_ns >= self._bound_ns]
        if len(must) < LEAST_AFTER:
            few = f"{_some(len(must), 'packet')} came after its bound"
            account.void.append(f"{self._name}: {few}, {LEAST_AFTER} are needed")
        lost = [own for own in must if own.shown_ns is None]
        luck = [own for own in lost if self._by_luck(own)]
        account.by_luck = len(luck)
        account.missed = len(before) + len(lost) - len(luck)
        if account.first is None:
            none_of = f"none of {_some(len(after), 'packet')} after it"
            faults.append(f"{self._name} never shows again: {none_of}")
        elif len(lost) > len(luck):
            count = _some(len(lost) - len(luck), "packet")
            at = f"from packet {account.bound or len(after) - len(must) + 1} on"
            faults.append(f"{self._name} did not show {count} that it has to, {at}")
        if before:
            count = _some(len(before), "packet")
            faults.append(f"{self._name} did not show {count} that came before it")

    def _before(self) -> list[Own]:
        """Those that the upset came too late for."""
        heard, resets = self._case.heard, self._case.upset.resets
        calm = self._case.calm[self._spec.index]
        if heard.off:
            return []
        return [
            own
            for own, quiet in zip(self._owns, calm, strict=False)
            if own.due
            and own.end_ns is not None
            and own.end_ns <= heard.from_ns
            and (not resets or _out_by(quiet, heard.from_ns))
        ]

    def _by_luck(self, own: Own) -> bool:
        """Whether a packet was taken for part of what only looked like one."""
        since_ns = self._case.heard.in_step_ns or 0
        end_ns = own.received_ns if own.end_ns is None else own.end_ns
        return self._found.swallowed(own.begin_ns, end_ns, since_ns)

    # --- bursts that show none

    def _other(self, held: bytes, burst_ns: int, shown_ns: int) -> None:
        """A burst that shows no packet for the node."""
        account = self.account
        if shown_ns < 0:
            return  # shifted through: the judge has told of its gap
        if self._spec.blackout_ns is not None and held == dark_payload(self._node):
            account.dark += burst_ns < self._case.traffic.line.until_ns
            due_ns = self._due_ns(burst_ns)
            if burst_ns < due_ns:
                early = format_ns(due_ns - burst_ns)
                account.faults.append(f"{self._name} darkened {early} too early")
        elif self._found.holds(self._spec, held, burst_ns) and not self._sent(held):
            account.by_chance += 1
        else:
            account.wrong += 1

    def _sent(self, held: bytes) -> bool:
        return any(own.data == held for own in self._owns)

    def _tell_of_others(self) -> None:
        if count := self.account.wrong:
            what = "that showed what was not to be shown"
            text = f"{self._name}: {_some(count, 'burst')} {what}"
            self.account.faults.insert(0, text)

    def _due_ns(self, before_ns: int) -> int:
        """When darkness falls due after what surely came before an instant."""
        case, heard = self._case, self._case.heard
        bound_ns = self._bound_ns
        sure = [
            last_ns
            for begin_ns, last_ns in case.traffic.spans(self._spec)
            if last_ns <= before_ns
            and (
                last_ns <= heard.from_ns
                or (bound_ns is not None and begin_ns >= bound_ns)
            )
        ]
        since_ns = max(sure, default=0)
        if heard.reset_ns is not None and heard.reset_ns <= before_ns:
            since_ns = max(since_ns, heard.reset_ns)
        return since_ns + (self._spec.blackout_ns or 0) - case.slack_ns

    def _darkness(self, others: Rows, data: bytes) -> None:
        """In a silence that is long enough it has to darken once, and in time."""
        heard = self._case.heard
        due_ns = self._due_ns(heard.good_ns)
        latest_ns = due_ns + self._case.slack_ns + settle_ns(self._node)
        if latest_ns > heard.good_ns:
            return  # too short a silence to ask for it
        dark = dark_payload(self._node)
        when = [
            int(row["burst_ns"])
            for row in others
            if heard.from_ns <= row["burst_ns"] < heard.good_ns
            and data[row["data_at"] : row["data_at"] + row["data_octets"]] == dark
        ]
        if not when:
            self.account.faults.append(f"{self._name} did not darken")
        elif len(when) > 1:
            self.account.faults.append(f"{self._name} darkened {len(when)} times")
        elif when[0] > latest_ns:
            late = format_ns(when[0] - due_ns)
            self.account.faults.append(f"{self._name} darkened {late} too late")


def _out_by(own: Own, ns: int) -> bool:
    """Whether the burst of a packet was out by an instant."""
    return own.latched_ns is not None and own.latched_ns <= ns


def _some(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"
