"""Why an interval says nothing of loss and latency: what the host did in it.

Only what a host can have spoilt counts here, and only where traffic passes in real
time; nobody can be late for a simulated node.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_ns

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_COUNTED = {
    "queue_dry": "the queue of the link ran dry",
    "back_pressure": "the link took nothing for longer than the lead",
    "reopened": "the link was away",
}


def reasons(
    link: Mapping[str, Any], lately: Mapping[str, Any], spoilt: Sequence[str]
) -> list[str]:
    """Why an interval is void; empty if it is valid.

    Args:
        link: How the link's counts grew in it.
        lately: What the link knows of it beside counts.
        spoilt: What happened to the host.
    """
    void = list(spoilt)
    for word, text in _COUNTED.items():
        if times := link.get(word):
            ns = link.get(f"{word}_ns")
            long = f", {format_ns(ns, 3)} in all" if ns else ""
            void.append(f"{text} {_times(times)}{long}")
    if spacing := lately.get("spacing"):
        void.append(spacing)
    if errors := lately.get("adapter_errors"):
        one = "one error" if errors == 1 else f"{errors} errors"
        void.append(f"the adapter counted {one}")
    return void


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
