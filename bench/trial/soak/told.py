"""The verdict on a night, and how it stands meanwhile."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from bench.base.units import format_share
from bench.judge.verdict import Outcome, decide
from bench.link.evidence import Evidence
from bench.trial.soak.run import totals

if TYPE_CHECKING:
    from bench.judge.verdict import Verdict
    from bench.profile.model import Profile
    from bench.trial.runner import Progress
    from bench.trial.soak.asked import Request
    from bench.trial.soak.records import Book
    from bench.trial.soak.run import Soak
    from bench.trial.soak.sums import Sums

ROUTINE = ("stretch began", "stretch ended")
"""Records of the interval log that are no news."""

_EVENTS_SHOWN = 20

_STATES = {"paused": "paused"}

_EVENTS_TOLD = 200
"""Events that a verdict holds: all of them are in the log."""


def verdict_of(request: Request, sums: Sums) -> Verdict:
    """What a night says.

    Args:
        request: What was asked for.
        sums: Of its records.
    """
    profile = request.profile
    evidence = Evidence({}, sums.findings, sums.void, sums.notes)
    verdict = decide(sums.figures(), profile.accept, _too_few(request, sums), evidence)
    if verdict.outcome is Outcome.PASS and sums.valid < sums.intervals:
        void = sums.intervals - sums.valid
        note = (
            f"{void} of {sums.intervals} intervals are void, and left out of loss and "
            "latency"
        )
        verdict = replace(verdict, notes=(*verdict.notes, note))
    if request.wanted is not None and sums.lost:
        note = (
            "the bound was looked at after every interval, and some packets were lost: "
            "such a bound is less sure than it says"
        )
        verdict = replace(verdict, notes=(*verdict.notes, note))
    return verdict


def _too_few(request: Request, sums: Sums) -> list[str]:
    """Why too little of a night is valid, if it is."""
    if not sums.intervals or sums.valid >= request.valid_share * sums.intervals:
        return []
    valid = f"{sums.valid} of {sums.intervals} intervals are valid"
    return [f"{valid}, {format_share(request.valid_share)} are needed"]


def soak_figures(
    request: Request, book: Book, stretches: int, missing_ns: int, stopped_by: str
) -> dict[str, Any]:
    """What `verdict.json` says of the night beside its figures."""
    sums = book.sums
    told = [event for event in book.events if event["event"] not in ROUTINE]
    wanted = request.wanted
    reached = None
    if wanted is not None:
        upper = sums.upper(wanted.confidence)
        reached = {
            "rate": wanted.rate,
            "confidence": wanted.confidence,
            "packets": wanted.packets,
            "upper": upper,
            "reached": upper is not None and upper <= wanted.rate,
        }
    return {
        "intervals": sums.intervals,
        "valid": sums.valid,
        "void": sums.intervals - sums.valid,
        "valid_share": sums.valid / sums.intervals if sums.intervals else None,
        "valid_needed": request.valid_share,
        "stretches": stretches,
        "events": len(told),
        "told": told[:_EVENTS_TOLD],
        "missing_ns": missing_ns,
        "wanted": reached,
        "stopped_by": stopped_by,
    }


def snapshot(soak: Soak, progress: Progress | None, waits: str) -> dict[str, Any]:
    """How a night stands, for whoever looks on.

    Args:
        soak: The night.
        progress: Of the stretch that is on; None between two.
        waits: What it waits for; "" where traffic runs.
    """
    book, request = soak.book, soak.request
    sums, last = book.sums, book.last
    packets = {"offered": 0, "shown": None, "lost": None, **sums.packets}
    if progress is not None:
        # What is judged, and what is not told yet of the stretch that is on.
        since = _together(progress.counts["packets"], soak.counts_before)
        packets = _together(packets, _together(since, totals(book), -1))
    confidence = request.profile.accept.confidence
    told = [event for event in book.events if event["event"] not in ROUTINE]
    return {
        "trial_ns": book.now_ns,
        "sent_ns": book.now_ns - soak.from_ns,
        "left_ns": soak.left_ns,
        "share": share_of(soak, packets),
        **{key: book.times()[key] for key in ("at", "awake_ns", "total_ns")},
        "waits": waits,
        "stretch": book.stretch,
        "state": _STATES.get(waits, "waiting") if waits else "running",
        "packets": packets,
        "interval": last,
        "upper": sums.upper(confidence),
        "confidence": confidence,
        "wanted": None
        if request.wanted is None
        else {
            "rate": request.wanted.rate,
            "confidence": request.wanted.confidence,
            "packets": request.wanted.packets,
        },
        "intervals": sums.intervals,
        "valid": sums.valid,
        "now": None if last is None else _of_last(last, request.profile),
        "events": told[-_EVENTS_SHOWN:],
        "happened": len(told),
        "profile": request.profile.name,
    }


def _of_last(last: dict[str, Any], profile: Profile) -> dict[str, Any]:
    """Rates of the last interval."""
    lasted_ns = last["to_ns"] - last["from_ns"]
    busy_ns = last["characters"] * profile.bus.character.step
    packets = last["packets"]
    return {
        "packets_per_s": packets["offered"] * 1e9 / lasted_ns if lasted_ns else None,
        "load": float(busy_ns / lasted_ns) if lasted_ns else None,
    }


def share_of(soak: Soak, packets: dict[str, int | None]) -> float | None:
    """How much of a night is done; None where nobody can say."""
    request, shares = soak.request, []
    if request.duration_ns is not None and soak.left_ns is not None:
        shares.append(1 - max(0, soak.left_ns) / request.duration_ns)
    offered = packets.get("offered") or 0
    if request.packets is not None:
        shares.append(offered / request.packets)
    if request.wanted is not None and not packets.get("lost"):
        shares.append(offered / request.wanted.packets)
    return min(1.0, max(shares)) if shares else None


def _together(
    one: dict[str, int | None], two: dict[str, int | None], sign: int = 1
) -> dict[str, int | None]:
    """Counts of two parts of a night added up, or the second taken off."""
    if not one or not two:
        return dict(one or two)
    words = {**one, **two}
    return {
        word: None
        if one.get(word, 0) is None or two.get(word, 0) is None
        else (one.get(word) or 0) + sign * (two.get(word) or 0)
        for word in words
    }
