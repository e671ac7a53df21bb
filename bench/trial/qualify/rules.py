"""How much is sent, how long is waited: every step is bounded in time and in octets."""

from __future__ import annotations

from dataclasses import dataclass

NS_PER_MS = 1_000_000


@dataclass(frozen=True, slots=True)
class QualifyRules:
    """The bounds.

    Attributes:
        listen_ns: The line has to be quiet for so long first.
        answer_ns: An octet that did not come back within this never will.
        pings: Round trips at most.
        pings_ns: All round trips together at most.
        flow_ns: Time on the line of what is sent without a pause.
        flow_octets: And its octets at most.
        writes: Write calls that are placed in time.
        period_ns: From one of them to the next.
    """

    listen_ns: int = 100 * NS_PER_MS
    answer_ns: int = 500 * NS_PER_MS
    pings: int = 200
    pings_ns: int = 8_000 * NS_PER_MS
    flow_ns: int = 2_000 * NS_PER_MS
    flow_octets: int = 4 << 20
    writes: int = 1000
    period_ns: int = NS_PER_MS
