"""What is there of a night that was broken off, and what is missing of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.trial.soak.asked import Before

if TYPE_CHECKING:
    from collections.abc import Container, Mapping, Sequence

    from bench.trial.soak.sums import Sums

    Record = Mapping[str, Any]


def before_of(
    intervals: Sequence[Record], anomalies: Sequence[Record], sums: Sums
) -> Before:
    """Sum up what was written.

    Args:
        intervals: The records of the interval log.
        anomalies: Those of the anomaly log.
        sums: What to sum up in.
    """
    before = Before()
    covered: list[tuple[int, int]] = []
    rests: set[int] = set()
    for record in intervals:
        if "event" in record:
            _take_event(before, covered, record, sums)
            if record["event"] == "stretch ended":
                rests.add(record["to_ns"])
        elif "number" in record:
            sums.take(record)
            before.number = max(before.number, record["number"] + 1)
            covered.append((record["from_ns"], record["to_ns"]))
        else:
            continue
        before.stretch = max(before.stretch, record["stretch"] + 1)
        before.base_ns = max(before.base_ns, record["to_ns"])
        before.awake_ns = max(before.awake_ns, record["awake_ns"] or 0)
        before.total_ns = max(before.total_ns, record["total_ns"] or 0)
        before.at = record["at"] or before.at
    for anomaly in anomalies:
        before.first.setdefault(str(anomaly.get("kind")), dict(anomaly))
    before.missing_ns += _uncovered(covered, rests, before.base_ns)
    return before


def _take_event(
    before: Before, covered: list[tuple[int, int]], record: Record, sums: Sums
) -> None:
    """One event."""
    before.events.append(dict(record))
    before.missing_ns += record.get("missing_ns") or 0
    if record["event"] == "stretch began":
        before.under_way = True
    elif record["event"] == "stretch ended":
        before.under_way = False
        sums.ended(record)
    elif record["event"] == "silence":
        covered.append((record["from_ns"], record["to_ns"]))


def _uncovered(
    spans: Sequence[tuple[int, int]], rests: Container[int], until_ns: int
) -> int:
    """Time up to an instant that no span covers; the line rested after some."""
    missing_ns, reached_ns = 0, 0
    for from_ns, to_ns in sorted(spans):
        if reached_ns not in rests:
            missing_ns += max(0, from_ns - reached_ns)
        reached_ns = max(reached_ns, to_ns)
    return missing_ns + max(0, until_ns - reached_ns)
