"""What a search for an edge says, as strict JSON.

An edge that was found is a pass, whatever lies beyond it: what was asked was where it
is.  Two ends between which nothing changes were the wrong question, and that is said
with the end to try instead; a trial that says nothing voids the search.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode, Fault
from bench.base.units import format_ns
from bench.judge.verdict import Outcome
from bench.trial.edge.methods import METHODS
from bench.trial.edge.window import CAUSE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.trial.edge.find import NoChange, Quest

    Content = dict[str, Any]


_RESET_BY = {
    "reset": "after a reset",
    "power": "with 10 s without power",
    "command": "after the command that resets",
}
"""Ways in which nodes are reset."""

_MISSED = 3 / 2
"""Frames without a packet from which on one was missed."""


def found(quest: Quest, edge: Content) -> Content:
    """An edge that was found."""
    reason = (
        f"last good {quest.name} = {edge['last_good_text']}, first bad "
        f"{edge['first_bad_text']}: {edge['cause']}"
    )
    notes = []
    if margin := edge["marginal"]:
        notes.append(
            f"marginal from {margin['first_text']} to {margin['last_text']}: "
            f"{margin['cause']}"
        )
    if not edge["monotone"]:
        notes.append(_not_monotone(edge["against"]))
    return _said(Outcome.PASS, reason, notes) | edge


def unchanged(quest: Quest, same: NoChange) -> Content:
    """Two ends between which nothing changes."""
    fault = fault_of(quest, same)
    content = _said(Outcome.VOID, str(fault), [])
    ends = [end.as_dict() for end in same.ends]
    return content | {
        "exit_code": int(ExitCode.USAGE),
        "ends": ends,
        "last_good": max(end["value"] for end in ends) if same.good else None,
        "first_bad": None if same.good else min(end["value"] for end in ends),
        "cause": "" if same.good else same.ends[0].worst["cause"],
    }


def fault_of(quest: Quest, same: NoChange) -> Fault:
    """What is wrong with two ends between which nothing changes, and what to try."""
    start, end = same.ends
    written = f"{start.text} .. {end.text}"
    if same.good:
        mend = "neither end fails: move the end that should fail further out"
        return Fault("no change", written, "an end that fails", quest.name, mend)
    both = "; ".join(f"{one.text}: {one.worst['reason']}" for one in same.ends)
    mend = f"both ends fail: move the end that should work further in; {both}"
    return Fault("no change", written, "an end that works", quest.name, mend)


def windows(quest: Quest, made: Content) -> Content:
    """The windows of all nodes."""
    window = made["window"]
    if window["centre_text"] is None:
        what = f"{quest.name} = {window['low_text']} to {window['high_text']}"
        reason = f"no end was found on one side of {what}: move it further out"
        content = _said(Outcome.VOID, reason, [])
        content["exit_code"] = int(ExitCode.USAGE)
    else:
        reason = (
            f"all nodes take a baud that is {window['low_text']} to "
            f"{window['high_text']} off, centre {window['centre_text']}"
        )
        content = _said(Outcome.PASS, reason, [])
    sides = {
        "last_good": window["high"],
        "last_good_text": window["high_text"],
        "first_bad": window["high_bad"],
        "cause": CAUSE,
    }
    content["notes"].append(
        "receivers here find a start bit at once and sample in the middle of a bit; "
        "one that samples 16 times a bit takes up to a percent less on each side"
    )
    return content | sides | made


def throughput(made: Content, most: Content) -> Content:
    """The highest rate without a loss."""
    best = made["throughput"]
    content = {"most": most, **made}
    edge = made["edge"] or {}
    content |= {
        "last_good": best and best["frame_rate_hz"],
        "first_bad": edge.get("first_bad"),
    }
    if best is None:
        reason = f"packets are lost at one frame a second already: {made['cause']}"
        return _said(Outcome.PASS, reason, []) | content
    rate = (
        f"{best['frame_rate_hz']} frames/s without a loss, "
        f"{best['packets_per_second']} packets/s, "
        f"load {100 * best['intended_load']:.1f} %"
    )
    end = f": past it {made['cause']}" if edge else ", as many as the line has room for"
    return _said(Outcome.PASS, rate + end, []) | content


def steps(made: Sequence[Content], most: Content) -> Content:
    """The loss rate at each step."""
    clean = [one["frame_rate_hz"] for one in made if one["offered"] == one["shown"]]
    best = max(clean, default=None)
    lossy = [one for one in made if one["offered"] != one["shown"]]
    reason = "no step loses anything"
    if lossy:
        first = f"{len(lossy)} of {len(made)} steps down from {most['frame_rate_hz']}"
        reason = f"loss in {first} frames/s: {lossy[0]['cause']}"
    content = {
        "steps": list(made),
        "most": most,
        "last_good": best,
        "first_bad": min((one["frame_rate_hz"] for one in lossy), default=None),
        "cause": lossy[-1]["cause"] if lossy else "",
    }
    return _said(Outcome.PASS, reason, []) | content


def recovered(made: Content) -> Content:
    """How long it took after too much traffic."""
    over, half = made["overload"], made["after"]
    rates = f"{over['frame_rate_hz']} frames/s, then {half['frame_rate_hz']}"
    if not made["lost_before"]:
        reason = f"{rates}: nothing was lost, so there was nothing to get over"
    elif made["recovery_ns"] is None:
        reason = f"{rates}: packets are lost to the end"
    else:
        after = format_ns(made["recovery_ns"])
        reason = f"{rates}: the last packet is lost {after} after the drop"
    return _said(Outcome.PASS, reason, []) | {"cause": made.get("cause", "")} | made


def reset(made: Sequence[Content]) -> Content:
    """How long nodes showed nothing."""
    parts, never, notes = [], False, []
    for one in made:
        what = _RESET_BY[one["way"]]
        never = never or one["dark_ns"] is None
        dark = (
            "never shown again" if one["dark_ns"] is None else format_ns(one["dark_ns"])
        )
        parts.append(f"{what} {dark}")
        if one["dark_ns"] is not None and one["dark_ns"] < _MISSED * one["frame_ns"]:
            notes.append("that is no longer than without: nothing was missed")
    reason = f"from the last packet shown to the next: {', '.join(parts)}"
    outcome = Outcome.FAIL if never else Outcome.PASS
    return _said(outcome, reason, notes) | {"resets": list(made), "cause": ""}


def silent(reason: str) -> Content:
    """A trial said nothing."""
    return _said(Outcome.VOID, reason, [])


def stopped() -> Content:
    """A signal came."""
    return _said(Outcome.VOID, "stopped before an edge was found", [])


def words_of(method: str) -> tuple[str, str]:
    """A method in our words, and in those of the RFC."""
    return METHODS.get(method, ("", ""))


def _said(outcome: Outcome, reason: str, notes: list[str]) -> Content:
    return {
        "verdict": outcome.value,
        "reason": reason,
        "exit_code": int(ExitCode[outcome.name]),
        "failures": [reason] if outcome is Outcome.FAIL else [],
        "void": [reason] if outcome is Outcome.VOID else [],
        "notes": notes,
        "last_good": None,
        "first_bad": None,
        "cause": "",
    }


def _not_monotone(against: Sequence[Content]) -> str:
    """Values that speak against there being one edge."""
    some = ", ".join(one["text"] for one in against[:3])
    more = "" if len(against) <= 3 else f" and {len(against) - 3} more"
    state = "good" if against[0]["state"] == "pass" else "marginal"
    return (
        f"not monotone: {state} again at {some}{more}, further out; the edge told is "
        "the one nearest to the good end"
    )
