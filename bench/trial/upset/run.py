"""Named upsets, one after another, each tried at several instants.

First comes a calm trial, with nothing but traffic.  Unless every packet of it is shown
as it should be, that is the fault to act on, and no upset is tried.  It also tells when
the nodes show what, so that an upset can strike while a burst is running.

Instants are drawn by counter, so that the same seed strikes at the same ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import To
from bench.base.grid import NS_PER_S
from bench.base.seeds import stream_key
from bench.judge.verdict import Outcome
from bench.node.spec import node_specs
from bench.traffic.load import costs_of, offered_load
from bench.trial.plan import Plan
from bench.trial.runner import Tools, run
from bench.trial.upset.account import Case, accounts
from bench.trial.upset.bound import longest_of, settle_ns
from bench.trial.upset.line import Hearing
from bench.trial.upset.link import UpsetLink
from bench.trial.upset.named import At, Blow
from bench.trial.upset.result import Performed, Strike, Tried
from bench.trial.upset.traffic import Traffic, Whole, match
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bench.link.link import Link
    from bench.profile.model import Node, Profile
    from bench.trial.runner import Outcome as Ran
    from bench.trial.runner import Records
    from bench.trial.upset.named import Upset
    from bench.trial.upset.result import Request
    from bench.trial.upset.traffic import Own

LEAD, WINDOW, TAIL = 3, 4, 8
"""Frames before the first instant at which an upset may strike, in which it does, and
after it has been got over."""

LASTS_MOST_NS = NS_PER_S // 10
"""How long an upset lasts at most unless asked: what is heard of one is worked out bit
by bit."""

_STOPPED = "stopped before its end"

_RATIO = 5, 4
"""Frames that it lasts, as a fraction: not a whole number of them, so that the line
comes back elsewhere than it went."""


class Performer:
    """Tries upsets on the nodes behind one kind of link."""

    def __init__(
        self,
        request: Request,
        make_link: Callable[[], Link],
        tools: Tools,
        tried: Callable[[int, Ran], None],
    ) -> None:
        """Prepare.

        Args:
            request: What is to be tried.
            make_link: A link to nodes at rest, each time it is called.
            tools: As for any trial.
            tried: Told after each trial how many there were, and how it ended.

        Raises:
            ProfileError: If the profile cannot be sent, or the model does not simulate
                it.
        """
        self._request = request
        self._make_link = make_link
        self._tools = tools
        self._tried = tried
        self._trials = 0
        profile = request.profile
        self._specs = node_specs(profile)
        self._frame_ns = _frame_ns(profile)
        # A node that shows again late is not what a limit on lateness is about, and a
        # loss that would be accepted would be taken for one of the upset's.
        accept = profile.accept.model_copy(
            update={"latency_ns": None, "skew_ns": None, "loss": 0.0}
        )
        self._profile = profile.model_copy(update={"accept": accept})
        self._traffics: dict[int, Traffic] = {}

    def perform(self) -> Performed:
        """Try every upset, until told to stop.

        Raises:
            BenchError: As `bench.trial.runner.run` does.
        """
        calm = self._calm()
        if calm.fault or calm.void:
            return Performed((), calm.fault, calm.void)
        done = []
        for upset in self._request.upsets:
            strikes: list[Strike] = []
            for number in range(self._request.times):
                if self._tools.stop() is not None:
                    break
                strikes.append(self._strike(upset, number, calm))
            if strikes:
                done.append(Tried(upset, strikes))
        return Performed(done)

    # --- without an upset

    def _calm(self) -> _Calm:
        """A trial with nothing but traffic."""
        traffic = self._traffic(0)
        heard = Hearing(traffic.track, self._profile.bus).undisturbed()
        endless = np.iinfo(np.int64).max
        link = UpsetLink(self._make_link(), heard, [endless] * len(self._specs))
        sees = link.observes
        if not (sees.shown and sees.data and sees.times and sees.nodes is None):
            link.close()
            void = "what the nodes show, and when, is not observable on this link"
            return _Calm([], [], void=void)
        ran = self._run(link, traffic, "calm", 0)
        if ran.signal is not None:
            return _Calm([], [], void=_STOPPED)
        seen, calm, verdict = link.seen, _Calm([], []), ran.verdict
        amiss = 0
        for spec in self._specs:
            shown = seen.shown[seen.shown["node"] == spec.index]
            owns = traffic.own(spec)
            others = match(owns, shown, seen.data.tobytes(), self._slack_ns)
            calm.owns.append(owns)
            calm.clocks.append(int(shown["clocks"].max(initial=0)))
            # Darkness after the last packet is not calm any more.
            amiss += int((shown[others]["burst_ns"] < traffic.line.until_ns).sum())
            amiss += sum(_lost(own) for own in owns)
        bursts, accept = verdict.figures["bursts"], self._profile.accept
        amiss += (bursts["wrong_clocks"] or 0) > accept.wrong_clocks
        amiss += (bursts["marginal"] or 0) > accept.marginal
        amiss += bool(bursts["short_gaps"])
        if not amiss:
            return calm
        text = f"{amiss} packets were not shown as they should be"
        if verdict.outcome is not Outcome.PASS:
            text = verdict.reason
        return _Calm([], [], f"without any upset already: {text}")

    @property
    def _slack_ns(self) -> int:
        return self._profile.bus.character.at(1)

    # --- with one

    def _strike(self, upset: Upset, number: int, calm: _Calm) -> Strike:
        """One upset at one instant."""
        lasts_ns = self._lasts_ns(upset)
        traffic = self._traffic(lasts_ns)
        blow = self._blow(upset, number, traffic, calm)
        if blow is None:
            return Strike(0, 0, void=("there is no instant at which it can strike",))
        heard = upset.hear(Hearing(traffic.track, self._profile.bus), blow)
        if heard.in_step_ns is None:
            void = "the traffic gave receivers no chance to be in step again"
            return Strike(blow.from_ns, blow.good_ns, void=(void,))
        inner = self._make_link()
        if heard.reset_ns is not None and not hasattr(inner, "reset"):
            inner.close()
            void = f"nodes cannot be made to begin anew on the link {inner.name}"
            return Strike(blow.from_ns, blow.good_ns, void=(void,))
        link = UpsetLink(inner, heard, calm.clocks)
        ran = self._run(link, traffic, upset.name, number)
        if ran.signal is not None:
            return Strike(blow.from_ns, blow.good_ns, void=(_STOPPED,))
        case = Case(self._profile, self._specs, upset, heard, traffic, calm.owns)
        figures = ran.verdict.figures
        return Strike(
            blow.from_ns,
            blow.good_ns,
            heard.in_step_ns,
            heard.in_step,
            accounts(case, link.seen, link.halves, figures),
            causes=figures["causes"],
        )

    def _run(self, link: UpsetLink, traffic: Traffic, what: str, number: int) -> Ran:
        """Carry one trial to its end."""
        tools = self._tools
        records = _Tagged(tools.ledger, {"upset": what, "strike": number})
        inner = Tools(tools.clock, records, tools.watcher, tools.stop)
        plan = Plan(self._profile, self._request.seed, duration_ns=traffic.duration_ns)
        with link:
            ran = run(plan, link, inner, Whole(traffic))
        self._trials += 1
        self._tried(self._trials, ran)
        return ran

    def _traffic(self, lasts_ns: int) -> Traffic:
        """The schedule for upsets that last so long; calm needs no more than none."""
        if lasts_ns not in self._traffics:
            profile = self._profile
            settle_most_ns = max(settle_ns(node) for node in profile.node)
            held = max(_buffers(node) for node in profile.node)
            frames = (LEAD + WINDOW + TAIL) * self._frame_ns
            over_ns = self._swallow_ns() + held * settle_most_ns
            duration_ns = frames + over_ns + lasts_ns
            self._traffics[lasts_ns] = Traffic(profile, self._request.seed, duration_ns)
        return self._traffics[lasts_ns]

    def _swallow_ns(self) -> int:
        """About how long it takes for the longest packet's characters to be sent."""
        load = max(0.01, min(1.0, offered_load(self._profile)))
        longest = longest_of(format_of(self._profile.packet))
        return int(longest * self._profile.bus.pitch.step / Fraction(str(load)))

    # --- when

    def _lasts_ns(self, upset: Upset) -> int:
        """How long an upset lasts."""
        if not upset.lasts:
            return 0
        if self._request.lasts_ns is not None:
            return self._request.lasts_ns
        more, of = _RATIO
        lasts_ns = min(LASTS_MOST_NS, more * self._frame_ns // of)
        if upset.at is At.BETWEEN:
            for node in self._profile.node:
                after_ns = node.processor.blackout_after_ns or 0
                lasts_ns = max(
                    lasts_ns, after_ns + settle_ns(node) + LEAD * self._frame_ns
                )
        return lasts_ns

    def _blow(
        self, upset: Upset, number: int, traffic: Traffic, calm: _Calm
    ) -> Blow | None:
        """An upset's instants; None if there are none."""
        words = _draws(self._request.seed, upset.name, number)
        lasts_ns, baud = self._lasts_ns(upset), self._profile.bus.baud
        spans = self._spans(upset, traffic, calm)
        if not spans:
            return None
        low, high = spans[words[0] * len(spans) >> 64]
        from_ns = low + (words[1] * max(1, high - low) >> 64)
        if upset.at is not At.BETWEEN:
            return Blow(from_ns, from_ns + lasts_ns, baud)
        starts = traffic.sent.rows["start_ns"]
        at = int(np.searchsorted(starts, from_ns + lasts_ns))
        return Blow(from_ns, int(starts[at]), baud) if at < len(starts) else None

    def _spans(
        self, upset: Upset, traffic: Traffic, calm: _Calm
    ) -> list[tuple[int, int]]:
        """Stretches of time, any of which it may strike in."""
        low, high = LEAD * self._frame_ns, (LEAD + WINDOW) * self._frame_ns
        if upset.at is At.ANYWHERE:
            return [(low, high)]
        if upset.at is At.BURST:
            bursts = [own for owns in calm.owns for own in owns]
            spans = [(own.burst_ns or 0, own.latched_ns or 0) for own in bursts]
        else:
            rows = traffic.sent.rows
            own = (rows["to"] >= 0) | (rows["to"] == To.EVERY_NODE)
            rows = rows[own] if upset.at is At.PACKET else rows
            begins, ends = rows["start_ns"].tolist(), rows["last_bit_ns"].tolist()
            spans = list(zip(begins, ends, strict=True))
            if upset.at is At.BETWEEN:
                spans = [(end, end) for _, end in spans]
        return [span for span in spans if low <= span[0] < high]


@dataclass(frozen=True, slots=True)
class _Calm:
    """What the calm trial told.

    Attributes:
        owns: What each node is to show, and when it did.
        clocks: Of a burst of each node.
        fault: What was wrong already; "" for nothing.
        void: Why nothing can be said; "" if it can.
    """

    owns: list[list[Own]]
    clocks: list[int]
    fault: str = ""
    void: str = ""


def _lost(own: Own) -> bool:
    """Whether a packet was not shown that had to be."""
    return own.due and own.end_ns is not None and own.shown_ns is None


class _Tagged:
    """A ledger whose records say which trial they are of."""

    def __init__(self, records: Records, tag: dict[str, Any]) -> None:
        self._records = records
        self._tag = tag

    def interval(self, record: Mapping[str, Any]) -> None:
        self._records.interval(self._tag | dict(record))

    def anomaly(self, record: Mapping[str, Any]) -> None:
        self._records.anomaly(self._tag | dict(record))

    def sync(self) -> None:
        self._records.sync()


def _frame_ns(profile: Profile) -> int:
    """From one frame to the next."""
    if profile.traffic.pacing == "flood":
        return int(costs_of(profile).frame_ns(worst=True)) + 1
    return int(NS_PER_S / profile.traffic.frame_rate_hz) + 1


def _buffers(node: Node) -> int:
    """Packets that it can hold."""
    return node.processor.buffers.receive + node.processor.buffers.port_words


def _draws(seed: int, name: str, number: int) -> list[int]:
    """Two words for one strike of one upset."""
    key = np.array(stream_key(seed, f"upset {name}"), np.uint64)
    generator = np.random.Philox(key=key, counter=[0, number, 0, 0])
    return [int(word) for word in generator.random_raw(2)]
