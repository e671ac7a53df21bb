"""What an oracle says."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["NEED_HEALTH", "ORACLES", "Breach"]

ORACLES = {
    "unsound": "nothing is shown that a receiver following the profile would not show",
    "foreign": "nothing is shown that was for somebody else",
    "repeated": "nothing is shown twice",
    "data": "every bit of what is shown is the one that was sent",
    "clocks": "a burst has exactly as many clocks as it should, none of them a runt",
    "latch": "every burst is latched before the next one begins",
    "recovery": "a good packet is shown from the recovery bound on",
    "alive": "the last good packet is shown, whatever came before",
    "latency": "what is shown is shown in time",
    "counters": "a sound packet that is not shown is accounted for",
    "overrun": "no character is lost that the profile has time for",
}
"""Every oracle, and what it holds a node to; the order is that of their numbers."""

NEED_HEALTH = frozenset({"recovery", "alive", "latency", "counters", "overrun"})
"""What says nothing of a node if the bench did not do what it was to do."""


@dataclass(frozen=True, slots=True)
class Breach:
    """Something that must not have happened.

    Attributes:
        oracle: Its name.
        text: What is wrong, in a sentence.
        should: What should have happened.
        did: What did.
        ns: When, in the time of the case; -1 if that is not observable.
    """

    oracle: str
    text: str
    should: str
    did: str
    ns: int = -1
