"""What a run has to say in a comparison, from its facts, verdict and intervals.

Loss and latency of intervals that the host spoilt say nothing and are left out; what
is hard (wrong data, a stray burst, a wrong number of clocks) counts wherever it was.
What was not observable is None, never zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from bench.judge.compare.resample import Times, of_intervals, of_spread

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Content = Mapping[str, Any]

SOFT = ("lost", "late", "repeated", "out_of_order")
"""Kinds of packets that a host may have spoilt."""

HARD = ("corrupt", "stray")
"""Kinds that it cannot have caused."""

LATENCIES = {"shown": "to shown", "first_bit": "to the first bit"}
"""What is timed, and how it is called."""


@dataclass(frozen=True)
class Side:
    """One of two runs.

    Attributes:
        verdict: "PASS", "FAIL" or "VOID"; None if it did not come to one.
        reason: Its sentence.
        offered: Packets that were to be shown, over which soft kinds are counted.
        all_offered: The same, spoilt intervals included.
        soft: Counts of soft kinds; None for what was not observable.
        hard: Counts of hard kinds likewise, and "wrong_clocks" of bursts.
        bursts: Bursts that were seen.
        causes: How often each (what, cause) was.
        times: Latencies by what is timed.
        void_intervals: How many were left out.
    """

    verdict: str | None
    reason: str
    offered: int | None
    all_offered: int | None
    soft: dict[str, int | None]
    hard: dict[str, int | None]
    bursts: int | None
    causes: dict[tuple[str, str], int]
    times: dict[str, Times] = field(default_factory=dict)
    void_intervals: int = 0


def comparable(verdict: Content) -> bool:
    """Whether a verdict has packets to compare."""
    return isinstance(verdict.get("packets"), dict)


def side_of(verdict: Content, records: Sequence[Content]) -> Side:
    """One run.

    Args:
        verdict: What its `verdict.json` holds.
        records: Of its interval log, events among them.
    """
    intervals = [one for one in records if "event" not in one]
    valid = [one for one in intervals if not _void(one)]
    packets, bursts = verdict["packets"], verdict.get("bursts") or {}
    spoilt = len(intervals) - len(valid)
    sound = packets if not spoilt else _summed(valid)
    return Side(
        verdict=verdict.get("verdict"),
        reason=verdict.get("reason", ""),
        offered=sound.get("offered"),
        all_offered=packets.get("offered"),
        soft={word: sound.get(word) for word in SOFT},
        hard={word: packets.get(word) for word in HARD}
        | {"wrong_clocks": bursts.get("wrong_clocks")},
        bursts=bursts.get("count"),
        causes={
            (one["what"], one["cause"]): one["count"]
            for one in verdict.get("causes") or []
        },
        times=_times(verdict, valid),
        void_intervals=spoilt,
    )


def _void(record: Content) -> bool:
    return bool((record.get("health") or {}).get("void"))


def _summed(records: Sequence[Content]) -> dict[str, int | None]:
    """Counts of packets over several intervals."""
    sums: dict[str, int | None] = {}
    for word in ("offered", *SOFT):
        counts = [(one.get("packets") or {}).get(word) for one in records]
        known = [count for count in counts if count is not None]
        sums[word] = sum(known) if known and len(known) == len(counts) else None
    return sums


def _times(verdict: Content, valid: Sequence[Content]) -> dict[str, Times]:
    """Latencies, by interval where they were kept so."""
    times = {}
    spread = verdict.get("spread_ns") or {}
    for what in LATENCIES:
        told = [(one.get("latency_bins") or {}).get(what) for one in valid]
        kept = [one for one in told if one]
        made = of_intervals(kept) if kept else None
        if made is None and what in spread:
            made = of_spread(spread[what])
        if made is not None:
            times[what] = made
    return times
