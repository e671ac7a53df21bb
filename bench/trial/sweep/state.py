"""What became of one trial, in one word, and why in a few.

A verdict knows PASS, FAIL and VOID.  Between pass and fail lies one more: bursts that
stopped so close to a clock edge that it may count, and nothing else amiss.  Whoever
looks for an edge finds two there, one into the margin and one out of it.
"""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, Any

from bench.base.units import format_ns
from bench.judge.verdict import Outcome, decide

if TYPE_CHECKING:
    from bench.judge.verdict import Verdict
    from bench.profile.model import Accept, Profile


class State(Enum):
    """What became of a trial; the value is what records say."""

    PASS = "pass"  # noqa: S105 (no password)
    MARGINAL = "marginal"  # it may go either way
    FAIL = "fail"
    VOID = "void"
    REFUSED = "cannot be sent"  # there is no such trial
    SKIPPED = "not tried"  # what had to come before it failed
    DIED = "worker died"

    @property
    def tried(self) -> bool:
        """Whether there was a trial."""
        return self in (State.PASS, State.MARGINAL, State.FAIL, State.VOID)

    @property
    def told(self) -> bool:
        """Whether it says anything about the nodes."""
        return self in (State.PASS, State.MARGINAL, State.FAIL)


MARGINAL_CAUSE = "stops so close to a clock edge that an extra clock may count"
"""Why a trial is marginal."""

_ORDER = ("wrong_clocks", "corrupt", "stray", "lost", "repeated", "out_of_order")
"""What is told first, as in the rules of a verdict."""

_CLOCKS_MOST = 10**9


def state_of(verdict: Verdict, profile: Profile) -> State:
    """What became of a trial.

    Args:
        verdict: What it says.
        profile: Its profile.
    """
    if verdict.outcome is not Outcome.FAIL:
        return State[verdict.outcome.name]
    lenient = profile.accept.model_copy(update={"marginal": _CLOCKS_MOST})
    rest = decide(verdict.figures, lenient, verdict.void)
    return State.MARGINAL if rest.outcome is Outcome.PASS else State.FAIL


def cause_of(verdict: Verdict, state: State, profile: Profile) -> str:
    """Why a trial did not pass, as short as that can be said; "" if it did.

    Args:
        verdict: What it says.
        state: What became of it.
        profile: Its profile.
    """
    if state is State.MARGINAL:
        return MARGINAL_CAUSE
    if state is not State.FAIL:
        return "" if state is State.PASS else verdict.reason
    causes: list[dict[str, Any]] = verdict.figures["causes"]
    for what in _ORDER:
        texts = [cause["cause"] for cause in causes if cause["what"] == what]
        if texts and not _accepted(what, verdict.figures, profile.accept):
            return str(texts[0])
    return _by_figures(verdict.figures, profile.accept) or verdict.reason


def _by_figures(figures: dict[str, Any], accept: Accept) -> str:
    """A cause that is no one packet's, without the numbers that differ each time."""
    if any(node.get("silent_packets") for node in figures["nodes"]):
        return "wedged: nothing is shown any more"
    if figures["bursts"]["short_gaps"]:
        return "a burst begins before the latch gap has passed"
    if figures["packets"]["late"] and accept.latency_ns is not None:
        return f"shown later than {format_ns(accept.latency_ns)} after the last bit"
    if figures["packets"]["lost"] or accept.skew_ns is None:
        return ""
    return f"one frame is shown over more than {format_ns(accept.skew_ns)}"


def _accepted(what: str, figures: dict[str, Any], accept: Accept) -> bool:
    """Whether a limit allows for all that there was of a fault."""
    if what == "wrong_clocks":
        return (figures["bursts"][what] or 0) <= accept.wrong_clocks
    return what == "lost" and (figures["loss_rate"] or 0) <= accept.loss
