"""What a page says of a live link: what it took, how well the plan was held, and heard.

Only what was seen; what could not be is said to be not observable.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.page import glued

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.report.page import Page

    Content = Mapping[str, Any]

_UNSEEN = "not observable"


def link_fields(page: Page, verdict: Content, name: str) -> None:
    """The fields of a link that has something to say of itself.

    Args:
        page: Where they go.
        verdict: What `verdict.json` holds.
        name: What the link is called.
    """
    link = verdict.get("link")
    if not link or "pacing" not in link:
        return
    page.blank()
    if rig := verdict.get("rig"):
        page.field("rig", rig)
    page.field("link", f"{name}: {_counted(link)}")
    page.field("pacing", _paced(link))
    page.field("write calls", _written(link))
    if trouble := _trouble(link):
        page.field("held up", "; ".join(trouble), "bad")
    if link["breaks"]["count"]:
        page.field("breaks", _breaks(link["breaks"]))
    if heard := _heard(link):
        page.field("heard", "; ".join(heard))
    if link.get("safe_level") is not None:
        page.field("at the end", *_left(link["safe_level"]))


def _counted(link: Content) -> str:
    """Characters offered, accepted and confirmed."""
    counts = link["counts"]
    confirmed = counts["confirmed"]
    known = _UNSEEN if confirmed is None else format_count(confirmed)
    return (
        f"{format_count(counts['accepted'])} of {format_count(counts['offered'])} "
        f"characters accepted, confirmed: {known}"
    )


def _paced(link: Content) -> str:
    """How packets were placed, how sure that is, and the lead."""
    pacing, dry = link["pacing"], link["queue_dry"]
    parts = [f"{pacing['way']}, {pacing['grade']}: {pacing['why']}"]
    lead = f"lead {_ns(pacing['lead_ns'])}"
    if pacing["least_lead_ns"] is not None:
        lead += f", {_ns(max(0, pacing['least_lead_ns']))} left at the least"
    parts.append(lead)
    if not dry["times"]:
        parts.append("the queue never ran dry")
    if pacing["realtime"] is not None:
        parts.append(f"real-time priority {pacing['realtime']}")
    return "; ".join(parts)


def _written(link: Content) -> str:
    """How late the calls were; of them only, since the wire is another matter."""
    writes, parts = link["writes"], []
    for what, late in (
        ("starts of runs", writes["lateness_ns"]),
        ("pieces", writes["piece_lateness_ns"]),
    ):
        if late is not None:
            parts.append(
                f"{what} late by {_ns(late['p50'])} in the middle, "
                f"{_ns(late['p99'])} at the 99th percentile, {_ns(late['max'])} at most"
            )
    return "; ".join(parts) or "none"


def _trouble(link: Content) -> list[str]:
    """What was not as it should be."""
    texts = {
        "queue_dry": "the queue ran dry",
        "back_pressure": "nothing was taken",
        "outages": "the link was away",
    }
    found = []
    for key, text in texts.items():
        stretch = link[key]
        if stretch["times"]:
            times = "once" if stretch["times"] == 1 else f"{stretch['times']} times"
            ns = stretch["ns"]
            long = f"for how long {_UNSEEN}" if ns is None else f"{_ns(ns)} in all"
            found.append(f"{text} {times}, {long}")
    if link["lost"] is not None:
        found.append(f"{link['lost']['cause']} at {_ns(link['lost']['at_ns'])}")
    return found


def _breaks(breaks: Content) -> str:
    """How long they were, around the calls."""
    between = f"{_ns(breaks['least_ns'])} to {_ns(breaks['most_ns'])}"
    return f"{format_count(breaks['count'])}, {between} around the calls that made them"


def _heard(link: Content) -> list[str]:
    """Echo and round trips, where they were looked for."""
    found = []
    if echo := link.get("echo"):
        verified, octets = format_count(echo["verified"]), format_count(echo["octets"])
        found.append(f"echo: {verified} of {octets} octets as they were sent")
    trip = (link.get("reply") or {}).get("round_trip")
    if trip and trip["ns"]:
        ns = trip["ns"]
        text = f"round trip {_ns(ns['p50'])}, {_ns(ns['p99'])} at the 99th percentile"
        found.append(text + (", adapter-limited" if trip["adapter_limited"] else ""))
    return found


def _left(safe: Content) -> tuple[str, Any]:
    """Whether lights were left at the safe level."""
    if safe["sent"]:
        return "the safe level was sent", ""
    return f"the safe level was not sent: {safe['why']}", "bad"


def _ns(ns: int) -> str:
    return glued(format_ns(ns, 3))
