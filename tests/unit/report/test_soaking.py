"""A night while it passes, and the fields of its page."""

from __future__ import annotations

import io
from typing import Any

import pytest

from bench.report.page import Page
from bench.report.soak import night_fields
from bench.report.soaking import SoakTold, standing_page
from bench.report.terminal import Out

HEALTH = {
    "void": [],
    "queue_dry": 0,
    "lateness_p99_ns": 7_120_000,
    "processor_share": 0.31,
    "memory_free_share": 0.87,
    "swapped_octets": 0,
    "adapter_errors": None,
}
EVENT = {
    "event": "host asleep",
    "at": "2026-11-25T02:13:04Z",
    "from_ns": 7_984_000_000_000,
    "text": "the host was asleep for 3 h",
}


def standing(**changes: Any) -> dict[str, Any]:
    """How a night stands."""
    told: dict[str, Any] = {
        "trial_ns": 7_984_000_000_000,
        "sent_ns": 7_984_000_000_000,
        "spent_ns": 7_990_000_000_000,
        "left_ns": 28_016_000_000_000,
        "share": 0.2217,
        "waits": "",
        "packets": {"offered": 638_720, "shown": 638_716, "lost": 0, "stray": 0},
        "upper": 4.7e-6,
        "confidence": 0.95,
        "wanted": {"rate": 1e-6, "confidence": 0.95, "packets": 2_995_731},
        "intervals": 798,
        "valid": 798,
        "now": {"packets_per_s": 79.98, "load": 0.9998},
        "interval": {
            "latency_ns": {"p50": 17_520_000, "p99": 17_521_000},
            "health": HEALTH,
            "readings": {"temperature": 21.5, "state": "dry"},
        },
        "events": [EVENT],
        "happened": 1,
    }
    return told | changes


def text_of(told: Any, width: int = 80) -> str:
    """The block as plain text."""
    return standing_page(told, "p pauses and goes on, Ctrl-C ends", width).plain()


def test_block() -> None:
    """All of it on 80 columns: how far, what came of it, the bound, host and events."""
    assert text_of(standing()) == (
        "soaking    22 %, 2 h 13 min 4 s on the line, 7 h 46 min 56 s left\n"
        "packets    638 716 of 638 720 packets shown, none lost\n"
        "loss       below 4.7e-06 at 95 % confidence, wanted 1e-06 at 95 %: 2 357 011\n"
        "           more packets\n"
        "now        79.98 packets/s, load 100 %, to shown 17.5 ms, 99 of 100 within\n"
        "           17.5 ms\n"
        "read       temperature 21.5, state dry\n"
        "host       798 intervals valid, the queue did not run dry, writes late by\n"
        "           7.12 ms, processors 31 % busy, memory 87 % free\n"
        "happened   02:13:04Z the host was asleep for 3 h\n"
        "keys       p pauses and goes on, Ctrl-C ends\n"
    )


@pytest.mark.parametrize("width", [40, 60, 80, 140])
def test_widths(width: int) -> None:
    """No line is wider than the terminal, wherever that can be had."""
    lines = text_of(standing(), width).splitlines()
    assert max(map(len, lines)) <= width
    assert len(lines) >= 8


def test_trouble() -> None:
    """Losses, void intervals and what is waited for are said in words."""
    packets = {"offered": 100, "shown": 90, "lost": 10, "stray": 1}
    interval = {"health": HEALTH | {"void": ["the host was asleep for 3 h"]}}
    text = text_of(
        standing(
            packets=packets,
            interval=interval,
            valid=790,
            waits="the link is away: unplugged",
            upper=None,
        ),
        120,
    )
    assert text.startswith("waiting    the link is away: unplugged; 2 h 13 min")
    assert "90 of 100 packets shown, 10 lost, 1 stray" in text
    assert "790 of 798 intervals valid, the last one void: the host was asleep" in text
    assert "\nloss " not in text


def test_nothing_yet() -> None:
    """Before the first interval there is nothing made up."""
    text = text_of(
        standing(
            packets={"offered": 0, "shown": None, "lost": None},
            upper=None,
            share=None,
            left_ns=None,
            interval=None,
            now=None,
            events=[],
        )
    )
    assert text.splitlines()[:2] == [
        "soaking    2 h 13 min 4 s on the line",
        "packets    none yet",
    ]


def test_not_observable() -> None:
    """Where nobody sees what is shown, it is not called lost."""
    packets = {"offered": 100, "shown": None, "lost": None}
    text = text_of(standing(packets=packets, upper=None))
    assert "packets    100 offered, shown: not observable" in text


def test_plain_lines() -> None:
    """A line a minute, one for each event, and one where nothing was told."""
    stream = io.StringIO()
    looker = SoakTold(Out(stream))
    looker.show(standing(spent_ns=1, happened=0, events=[]))
    looker.show(standing(spent_ns=2))
    looker.show(standing(spent_ns=3))
    looker.show(standing(spent_ns=4, waits="paused"))
    looker.show(standing(spent_ns=5))
    looker.show(standing(spent_ns=60_000_000_000))
    looker.show(standing(spent_ns=61_000_000_000))
    looker.close({"signal": None, "trial_ns": 1, "packets": {"offered": 0}})
    lines = stream.getvalue().splitlines()
    assert lines[:3] == [
        "02:13:04Z the host was asleep for 3 h",
        "paused",
        "traffic goes on",
    ]
    assert lines[3].startswith(
        " 22 %  2 h 13 min 4 s on the line, 7 h 46 min 56 s left"
    )
    assert len(lines) == 4


def night(**changes: Any) -> dict[str, Any]:
    """The verdict of a night."""
    told: dict[str, Any] = {
        "intervals": 3600,
        "valid": 3600,
        "void": 0,
        "valid_share": 1.0,
        "valid_needed": 0.9,
        "stretches": 1,
        "events": 0,
        "told": [],
        "missing_ns": 0,
        "wanted": None,
        "stopped_by": "time",
    }
    return {"soak": told | changes}


def fields(verdict: Any) -> str:
    """What the page says of it."""
    page = Page(16)
    night_fields(page, verdict)
    return page.plain()


def test_fields() -> None:
    """A quiet night is two lines; of anything else but a night nothing is said."""
    assert fields(night()) == (
        "night           3600 intervals, all valid\nended           its time was over\n"
    )
    assert fields({}) == "\n"


def test_fields_of_trouble() -> None:
    """What is void, missing, wanted and what happened stand there."""
    wanted = {"rate": 1e-6, "confidence": 0.95, "reached": False, "upper": 2e-5}
    verdict = night(
        void=40,
        valid=3560,
        valid_share=3560 / 3600,
        stretches=3,
        missing_ns=10**10,
        wanted=wanted,
        events=14,
        told=[EVENT] * 14,
    )
    verdict["not_judged"] = {"packets": {"offered": 3200, "shown": 3100}}
    text = fields(verdict)
    assert "3600 intervals, 40 of them void, 98.89 % valid, 90 % needed, 3" in text
    assert "not judged: 3200 packets of void intervals, of which 3100 were shown" in (
        " ".join(text.split())
    )
    assert "missing         at most 10 s on the line" in text
    assert "not reached, only below 2e-05" in " ".join(text.split())
    happened = "2 h 13 min 4 s (2026-11-25T02:13:04Z): the host was asleep for 3 h"
    assert happened in " ".join(text.split())
    assert "and 2 more, in intervals.log" in text
