"""What upsets come to: one verdict for each, and one in all.

Within one upset a fault at any instant fails it; it passes if nothing is wrong and at
least half of its instants say anything.  In all, FAIL wins, then VOID: an upset that
was asked for and says nothing has not been survived.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode
from bench.base.units import format_ns
from bench.judge.verdict import Outcome
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.profile.model import Profile
    from bench.trial.upset.account import NodeAccount
    from bench.trial.upset.named import Upset

VALID_SHARE = 0.5
"""Share of its instants that must say something for an upset to pass."""

_SUMMED = ("missed", "by_luck", "wrong", "by_chance", "refused", "dark", "halves")
"""What is added up over the instants of an upset, node by node."""


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be tried.

    Attributes:
        profile: The profile.
        upsets: The upsets, in their order.
        seed: What every draw depends on.
        times: At how many instants each of them strikes.
        lasts_ns: How long each lasts that takes time; None: as long as makes sense.
    """

    profile: Profile
    upsets: tuple[Upset, ...]
    seed: int
    times: int
    lasts_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Strike:
    """One upset at one instant, and what came of it.

    Attributes:
        from_ns: When it began.
        good_ns: When it was over.
        in_step_ns: When receivers were in step again; None: never.
        in_step: After how many characters.
        nodes: What every node did.
        void: Why it says nothing.
        causes: Why packets were lost, as the judge has it, those that had to be shown
            and those that had not.
    """

    from_ns: int
    good_ns: int
    in_step_ns: int | None = None
    in_step: int = 0
    nodes: Sequence[NodeAccount] = ()
    void: tuple[str, ...] = ()
    causes: Sequence[dict[str, Any]] = ()

    @property
    def faults(self) -> list[str]:
        """What is wrong, the first to act on first."""
        return [text for node in self.nodes for text in node.faults]

    @property
    def reasons(self) -> list[str]:
        """Why it says nothing; empty if it does."""
        return [*self.void, *(text for node in self.nodes for text in node.void)]

    @property
    def outcome(self) -> Outcome:
        """What it says."""
        if self.faults:
            return Outcome.FAIL
        return Outcome.VOID if self.reasons else Outcome.PASS

    def as_dict(self) -> dict[str, Any]:
        """Everything, as strict JSON."""
        return {
            "verdict": self.outcome.value,
            "from_ns": self.from_ns,
            "good_ns": self.good_ns,
            "in_step_ns": self.in_step_ns,
            "in_step_characters": self.in_step,
            "void": self.reasons,
            "causes": list(self.causes),
            "nodes": [asdict(node) for node in self.nodes],
        }


@dataclass(frozen=True, slots=True)
class Tried:
    """One named upset, and what came of it at each instant.

    Attributes:
        upset: Which.
        strikes: Each instant.
    """

    upset: Upset
    strikes: Sequence[Strike]

    @property
    def outcome(self) -> Outcome:
        """What it says."""
        outcomes = Counter(strike.outcome for strike in self.strikes)
        if outcomes[Outcome.FAIL]:
            return Outcome.FAIL
        enough = outcomes[Outcome.PASS] >= VALID_SHARE * len(self.strikes)
        return Outcome.PASS if enough and outcomes[Outcome.PASS] else Outcome.VOID

    @property
    def faults(self) -> list[str]:
        """What is wrong, and when that was."""
        return [
            f"{self.upset.name} at {_at(strike.from_ns)}: {text}"
            for strike in self.strikes
            for text in strike.faults
        ]

    @property
    def void(self) -> list[str]:
        """Why it says nothing, if it does not."""
        if self.outcome is not Outcome.VOID:
            return []
        texts = [text for strike in self.strikes for text in strike.reasons]
        return [f"{self.upset.name}: {text}" for text in dict.fromkeys(texts)]

    def as_dict(self) -> dict[str, Any]:
        """Everything, as strict JSON."""
        outcome = self.outcome
        reasons = [*self.faults, *self.void]
        return {
            "upset": self.upset.name,
            "what": self.upset.line,
            "verdict": outcome.value,
            "reason": reasons[0] if reasons else self.as_it_went,
            "times": len(self.strikes),
            "lasts_ns": max(one.good_ns - one.from_ns for one in self.strikes),
            "in_step_ns": self._latest_step_ns,
            "nodes": [self._node(index) for index in range(self._nodes)],
            "strikes": [strike.as_dict() for strike in self.strikes],
        }

    @property
    def slowest(self) -> NodeAccount | None:
        """The node that was the latest to show again."""
        nodes = [node for strike in self.strikes for node in strike.nodes]
        return max(nodes, key=_lateness, default=None)

    @property
    def as_it_went(self) -> str:
        """How the latest node fared."""
        node = self.slowest
        if node is None or node.first is None or node.after_ns is None:
            return "no node showed anything"
        limit = "no bound" if node.bound is None else f"bound {node.bound}"
        after = format_ns(node.after_ns)
        return (
            f"{node.name} shows again at packet {node.first} ({limit}), after {after}"
        )

    @property
    def _nodes(self) -> int:
        return max((len(strike.nodes) for strike in self.strikes), default=0)

    @property
    def _latest_step_ns(self) -> int | None:
        """Greatest time until receivers were in step, where they were."""
        steps = [
            strike.in_step_ns - strike.good_ns
            for strike in self.strikes
            if strike.in_step_ns is not None
        ]
        return max(steps, default=None)

    def _node(self, index: int) -> dict[str, Any]:
        """One node: its slowest return, and counts over all instants."""
        accounts = [one.nodes[index] for one in self.strikes if one.nodes]
        worst = asdict(max(accounts, key=_lateness))
        kept = ("name", "first", "after_ns", "bound", "bound_ns", "why")
        summed = {word: sum(getattr(one, word) for one in accounts) for word in _SUMMED}
        return {
            **{word: worst[word] for word in kept},
            "unseen": max(one.unseen for one in accounts),
            **summed,
        }


@dataclass(frozen=True, slots=True)
class Performed:
    """All that was tried.

    Attributes:
        tried: Every upset that was.
        fault: What is wrong without any; "" for nothing.
        void: Why none can say anything; "" if they can.
    """

    tried: Sequence[Tried] = ()
    fault: str = ""
    void: str = ""


def verdict_of(request: Request, performed: Performed) -> dict[str, Any]:
    """What all of them say, as strict JSON.

    Args:
        request: What was asked for.
        performed: What was tried.
    """
    tried = performed.tried
    failures = [text for one in tried for text in one.faults]
    failures = [performed.fault, *failures] if performed.fault else failures
    void = [text for one in tried for text in one.void]
    void = [performed.void, *void] if performed.void else void
    done = {one.upset.name for one in tried}
    missing = [one.name for one in request.upsets if one.name not in done]
    if missing:
        void.append(f"not tried: {', '.join(missing)}")
    if failures:
        outcome, reason = Outcome.FAIL, failures[0]
    elif void:
        outcome, reason = Outcome.VOID, void[0]
    else:
        outcome, reason = Outcome.PASS, _what_a_pass_rests_on(tried)
    return {
        "verdict": outcome.value,
        "reason": reason,
        "exit_code": int(ExitCode[outcome.name]),
        "failures": failures,
        "void": void,
        "notes": _notes(request.profile, tried),
        "upsets": [one.as_dict() for one in tried],
    }


def _what_a_pass_rests_on(tried: Sequence[Tried]) -> str:
    """What was survived, and how fast at the slowest."""
    strikes = sum(len(one.strikes) for one in tried)
    slowest = max(tried, key=lambda one: _lateness(one.slowest))
    kinds = f"{len(tried)} kinds of upset, {strikes} in all"
    if len(tried) == 1:
        often = "once" if strikes == 1 else f"{strikes} times"
        kinds = f"{tried[0].upset.name}, {often}"
    return (
        f"{kinds}: nothing wrong was shown, and every node showed again by its bound; "
        f"at the slowest {slowest.as_it_went}"
    )


def _notes(profile: Profile, tried: Sequence[Tried]) -> list[str]:
    """What a reader has to know beside the numbers."""
    accounts = [
        node for one in tried for strike in one.strikes for node in strike.nodes
    ]
    count = {word: sum(getattr(one, word) for one in accounts) for word in _SUMMED}
    rule = format_of(profile.packet).layout.check
    bits = rule.check.width if rule is not None else 0
    notes = []
    if chance := count["by_chance"]:
        tries = (
            f"{count['refused'] + chance} pieces of rubbish came as far as the check"
        )
        odds = f"one in 2^{bits} passes it" if bits else "the format has none"
        notes.append(f"{chance} bursts showed what was never sent: {tries}, and {odds}")
    if halves := count["halves"]:
        notes.append(
            f"{halves} bursts were cut off by a reset, and their chains show half of a "
            "packet until the next one; that is no fault of the check"
        )
    if luck := count["by_luck"]:
        notes.append(
            f"{luck} packets after the bound were lost because octets of a payload "
            "looked like the beginning of a packet"
        )
    if any(one.bound is None for one in accounts):
        notes.append(
            "no bound: the nodes resynchronise by timeout, and the line was never "
            "silent for long enough"
        )
    return notes


def _lateness(node: NodeAccount | None) -> tuple[bool, int, int]:
    """How late a node is: one that never shows again is the latest."""
    if node is None:
        return False, 0, 0
    return node.first is None, node.first or 0, node.after_ns or 0


def _at(ns: int) -> str:
    return f"{ns / 1e6:.3f} ms"
