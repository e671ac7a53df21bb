"""What a page says of a live link."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from unit.link.live.stub import MS, Stub, counter, line_of, link_over

from bench.base.clock import JumpClock
from bench.report.link import link_fields
from bench.report.page import Page


@pytest.fixture(scope="module")
def told() -> dict[str, Any]:
    """The figures of a link that did all of it right."""
    with link_over(Stub(JumpClock())) as link:
        link.carry(line_of(counter(5000), [(0, 0)]))
        return dict(link.evidence().figures)


def said(figures: dict[str, Any], **changed: Any) -> str:
    """The page, as one line of text."""
    page = Page(16)
    link_fields(page, {"link": copy.deepcopy(figures) | changed}, "stub")
    return " ".join(page.plain().split())


def test_what_it_took_and_how_sure_that_is(told):
    """Counts, the grade of spacing and why no better, the lead, the lateness."""
    text = said(told)
    assert "stub: 5000 of 5000 characters accepted, confirmed: not observable" in text
    assert "packed, unproven: nothing below this link keeps the bit rate" in text
    assert "lead 20 ms, 20 ms left at the least; the queue never ran dry" in text
    assert "starts of runs late by 0 s in the middle" in text
    assert "held up" not in text


def test_trouble(told):
    """Each kind of it, how often and how long; and a loss, by its first cause."""
    text = said(
        told,
        queue_dry={"times": 2, "ns": 7 * MS, "longest_ns": 5 * MS, "first_ns": 1},
        lost={"cause": "link lost: unplugged", "at_ns": 40 * MS},
        safe_level={"sent": False, "why": "the link is lost"},
    )
    assert "the queue ran dry 2 times, 7 ms in all" in text
    assert "link lost: unplugged at 40 ms" in text
    assert "the safe level was not sent: the link is lost" in text
    assert "never ran dry" not in text


def test_what_was_heard(told):
    """Echo and round trips, where they were looked for."""
    ns = {"p50": 1_247_000, "p99": 2_000_000}
    trip = {"ns": ns, "adapter_limited": True}
    text = said(told, echo={"verified": 99, "octets": 100}, reply={"round_trip": trip})
    assert "echo: 99 of 100 octets as they were sent" in text
    assert "round trip 1.25 ms, 2 ms at the 99th percentile, adapter-limited" in text


def test_nothing_to_say():
    """Simulated nodes have no such link, and nothing is said."""
    page = Page(16)
    link_fields(page, {}, "simulated")
    assert page.lines == []
