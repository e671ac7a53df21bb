"""What a page says of a night: how much of it is valid, and what happened in it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns, format_share
from bench.report.page import glued

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.report.page import Page

    Content = Mapping[str, Any]

_EVENTS_SHOWN = 12

_ENDED = {
    "time": "its time was over",
    "packets": "all packets were sent",
    "losses": "so many packets were lost",
    "bound": "the wanted bound was reached",
    "signal": "a signal came",
}


def night_fields(page: Page, verdict: Content) -> None:
    """The fields of a night.

    Args:
        page: Where they go.
        verdict: What `verdict.json` holds; of anything but a night nothing is said.
    """
    night = verdict.get("soak")
    if not night:
        return
    page.blank()
    page.field("night", _intervals(night))
    if night["void"]:
        page.field("", _not_judged(verdict), "open")
    if night["missing_ns"]:
        missing = glued(format_ns(night["missing_ns"], 3))
        page.field("missing", f"at most {missing} on the line", "bad")
    if night["wanted"]:
        page.field("wanted", *_wanted(night["wanted"]))
    if ended := _ENDED.get(night["stopped_by"]):
        page.field("ended", ended)
    label = "happened"
    for event in night["told"][:_EVENTS_SHOWN]:
        page.field(label, f"{_when(event)}: {event['text']}")
        label = ""
    if night["events"] > _EVENTS_SHOWN:
        more = night["events"] - _EVENTS_SHOWN
        page.field("", f"and {more} more, in intervals.log")


def _intervals(night: Content) -> str:
    """How many intervals there are, and how many say something."""
    parts = [f"{format_count(night['intervals'])} intervals"]
    if night["void"]:
        share = glued(format_share(night["valid_share"]))
        needed = glued(format_share(night["valid_needed"]))
        parts.append(f"{format_count(night['void'])} of them void")
        parts.append(f"{share} valid, {needed} needed")
    elif night["intervals"]:
        parts.append("all valid")
    if night["stretches"] != 1:
        parts.append(f"{night['stretches']} stretches")
    return ", ".join(parts)


def _not_judged(verdict: Content) -> str:
    """What became of packets in void intervals, which says nothing."""
    packets = verdict["not_judged"]["packets"]
    text = f"not judged: {format_count(packets['offered'])} packets of void intervals"
    if packets["shown"] is not None:
        text += f", of which {format_count(packets['shown'])} were shown"
    return text


def _wanted(wanted: Content) -> tuple[str, Any]:
    """Whether the bound was reached that was wanted."""
    sure = f"{100 * wanted['confidence']:g} % confidence"
    text = f"loss below {wanted['rate']:g} at {sure}: "
    if wanted["reached"]:
        return text + f"reached, {wanted['upper']:.3g}", "good"
    upper = wanted["upper"]
    known = "nothing bounds it" if upper is None else f"only below {upper:.3g}"
    return text + f"not reached, {known}", "open"


def _when(event: Content) -> str:
    """An instant on the line, and its label."""
    text = glued(format_ns(event["from_ns"], 3))
    if event.get("at"):
        text += f" ({event['at']})"
    return text
