"""What a step asked for, what came of it, and by how much.

The margin is what was measured over what was required, so that 1 is just enough,
whatever it is a margin of; None where nothing can be measured so.  A bound on the loss
that too few packets were sent for is void, not failed: the board did nothing wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10
from typing import TYPE_CHECKING, Any

from bench.base.units import format_count
from bench.judge.statistics import binomial_upper, packets_needed
from bench.judge.verdict import Outcome

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.trial.accept.model import EdgeStep
    from bench.trial.soak.wanted import Wanted

    Figures = Mapping[str, Any]

_TIMES = "×"


@dataclass(frozen=True, slots=True)
class Judged:
    """One step.

    Attributes:
        verdict: What it says.
        reason: One sentence.
        required: What was asked for, in a few words.
        measured: What came of it, likewise; "" for nothing.
        margin: What was measured over what was required; 1 is just enough.
    """

    verdict: Outcome
    reason: str
    required: str
    measured: str = ""
    margin: float | None = None


def trial(figures: Figures, bound: Wanted | None) -> Judged:
    """Packets that were streamed, for a minute or a night.

    Args:
        figures: Its verdict.
        bound: What the loss has to be shown to be below.
    """
    packets = figures["packets"]
    offered, lost = packets["offered"], packets["lost"]
    verdict, reason = Outcome[figures["verdict"]], figures["reason"]
    measured = "not observable"
    if lost is not None:
        measured = f"{format_count(lost)} of {format_count(offered)} lost"
    if bound is None:
        return Judged(verdict, reason, "its limits", measured)
    required = f"loss < {bound.rate:g}"
    if not offered or lost is None:
        return Judged(verdict, reason, required, measured)
    upper = binomial_upper(lost, offered, bound.confidence)
    margin = bound.rate / upper
    measured = f"loss < {upper:.3g}"
    if verdict is Outcome.PASS and margin < 1:
        verdict, reason = _short_of(bound, lost, offered)
    return Judged(verdict, reason, required, measured, margin)


def _short_of(bound: Wanted, lost: int, offered: int) -> tuple[Outcome, str]:
    """Why a bound was not shown."""
    seen = f"{format_count(lost)} of {format_count(offered)} packets lost"
    least = 1 - binomial_upper(offered - lost, offered, bound.confidence)
    at = f"at {100 * bound.confidence:g} % confidence"
    if least > bound.rate:
        return Outcome.FAIL, f"{seen}: a loss of {bound.rate:g} or more {at}"
    needed = packets_needed(bound.rate, bound.confidence)
    return Outcome.VOID, (
        f"{seen}, too few packets to show a loss below {bound.rate:g} {at}: it takes "
        f"{format_count(needed)} without a loss"
    )


def edge(step: EdgeStep, figures: Figures, ends: Mapping[str, float]) -> Judged:
    """An edge that was looked for.

    Args:
        step: What was asked for.
        figures: Its verdict.
        ends: In the base unit: "nominal" where the profile has a value, "from", "to",
            and "least" or "most" where these are demanded.
    """
    if step.window is not None:
        return _window(step.window, figures)
    required = _required(step)
    found = _found(figures, ends)
    if found is None:
        fails = bool(figures.get("ends")) or figures.get("throughput", 0) is None
        verdict = Outcome.FAIL if fails else Outcome.VOID
        return Judged(verdict, figures["reason"], required)
    last, upwards, text = found
    if step.margin is not None:
        nominal = ends["nominal"]
        times = last / nominal if upwards else nominal / last
        margin, measured = times / step.margin, f"{_three(times)} {_TIMES}"
    elif step.least is not None:
        margin, measured = last / ends["least"], text
    else:
        margin, measured = ends["most"] / last, text
    if margin >= 1:
        return Judged(Outcome.PASS, figures["reason"], required, measured, margin)
    reason = f"{required} required, {measured} found: {figures['reason']}"
    return Judged(Outcome.FAIL, reason, required, measured, margin)


def _required(step: EdgeStep) -> str:
    """What an edge demands, in a few words."""
    if step.margin is not None:
        return f"{step.margin:g} {_TIMES}"
    return f"at least {step.least}" if step.least else f"at most {step.most}"


def _three(number: float) -> str:
    """A number in three digits, cut off and not rounded: 1.4996 is not 1.5."""
    places = 2 - floor(log10(number)) if number > 0 else 0
    cut = floor(number * 10.0**places + 1e-9) / 10.0**places
    return f"{cut:.3g}"


def _found(
    figures: Figures, ends: Mapping[str, float]
) -> tuple[float, bool, str] | None:
    """The last good value, whether more is worse, and as a text; None for none."""
    if (most := figures.get("throughput")) is not None:
        rate = float(most["frame_rate_hz"])
        return rate, True, f"{most['frame_rate_hz']} Hz"
    last, first = figures["last_good"], figures["first_bad"]
    if last is not None and first is not None:
        return float(last), first > last, figures["last_good_text"]
    tried = figures.get("ends") or []
    if last is None or not tried:
        return None
    # Both ends work, so that the edge lies beyond the one further out.
    upwards = ends["to"] > ends["from"]
    far = (max if upwards else min)(tried, key=lambda one: one["value"])
    return float(far["value"]), upwards, f"{far['text']} or more"


def _window(share: float, figures: Figures) -> Judged:
    """The window of bauds that all nodes take."""
    required = f"±{100 * share:g} %"
    window = figures.get("window")
    if window is None:
        verdict = Outcome.VOID
        if "without an offset" in figures["reason"]:
            verdict = Outcome.FAIL
        return Judged(verdict, figures["reason"], required)
    low, high = -window["low"], window["high"]
    measured = f"−{100 * low:.3g}..{100 * high:.3g} %"
    margin = min(low, high) / share
    if margin >= 1:
        return Judged(Outcome.PASS, figures["reason"], required, measured, margin)
    nodes = figures["nodes"]
    worst = min(nodes, key=lambda node: min(-node["low"], node["high"]))
    takes = f"{worst['low_text']} to {worst['high_text']}"
    reason = f"{worst['name']} takes {takes}, {required} required"
    return Judged(Outcome.FAIL, reason, required, measured, margin)


def upset(figures: Figures) -> Judged:
    """Upsets that were tried."""
    tried = figures["upsets"]
    slowest = [
        node["bound"] / node["first"]
        for one in tried
        for node in one["nodes"]
        if node["bound"] and node["first"]
    ]
    good = sum(one["verdict"] == Outcome.PASS.value for one in tried)
    measured = f"{good} of {len(tried)} upsets"
    verdict = Outcome[figures["verdict"]]
    margin = min(slowest) if slowest and verdict is Outcome.PASS else None
    return Judged(verdict, figures["reason"], "by the bound", measured, margin)


def corpus(figures: Figures, least: int) -> Judged:
    """Cases that were sent again.

    Args:
        figures: The verdict.
        least: How many there have to be.
    """
    told = figures.get("corpus") or {}
    replayed, failed = told.get("replayed", 0), told.get("failed", 0)
    verdict, reason = Outcome[figures["verdict"]], figures["reason"]
    measured = f"{failed} of {replayed} cases fail"
    required = "none fails" if not least else f"none of {least} or more fails"
    unread = told.get("faults") or []
    if verdict is Outcome.PASS and unread:
        verdict, reason = Outcome.VOID, f"{len(unread)} cases not used: {unread[0]}"
    elif verdict is Outcome.PASS and replayed < least:
        verdict = Outcome.VOID
        reason = f"{replayed} cases in the corpus, {least} required"
    return Judged(verdict, reason, required, measured)
