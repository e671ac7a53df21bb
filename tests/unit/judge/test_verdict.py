"""The rules of the verdict on figures alone."""

from __future__ import annotations

from typing import Any

import pytest

from bench.base.errors import ExitCode
from bench.judge.verdict import Outcome, Verdict, decide
from bench.link.evidence import Evidence
from bench.profile.model import Accept

Figures = dict[str, Any]


def figures(**changed: Any) -> Figures:
    """The figures of a clean trial of 1000 packets, with some changed.

    Keys name a count of packets or bursts, or a figure of the whole trial.
    """
    packets = {
        "offered": 1000,
        "shown": 1000,
        "lost": 0,
        "corrupt": 0,
        "stray": 0,
        "repeated": 0,
        "out_of_order": 0,
        "late": 0,
        "ambiguous": 0,
    }
    bursts = {
        "count": 1000,
        "wrong_clocks": 0,
        "marginal": 0,
        "least_gap_ns": 600_000,
        "short_gaps": 0,
    }
    told: Figures = {
        "loss_upper": 0.002991,
        "confidence": 0.95,
        "loss": {"assumes": "all else is equal"},
        "latency_ns": {"shown": {"max": 30_000_000}},
        "skew_ns": {"max": 70_000_000},
        "causes": [],
        "silent_packets": 0,
    }
    for key, value in changed.items():
        part = next((p for p in (packets, bursts) if key in p), told)
        part[key] = value
    shown = packets["shown"]
    told["loss_rate"] = (
        None if shown is None else (packets["offered"] - shown) / packets["offered"]
    )
    silent = told.pop("silent_packets")
    told["nodes"] = [
        {"name": "ebb", "packets": packets, "bursts": bursts, "silent_packets": silent},
        {"name": "flood-gate"},  # nobody watches it
        {"name": "harbour-end", "packets": none(packets), "bursts": none(bursts)},
    ]
    return told | {"packets": packets, "bursts": bursts}


def none(counts: Figures) -> Figures:
    """The same counts, all zero."""
    return dict.fromkeys(counts, 0)


def judged(told: Figures, *void: str, **limits: Any) -> Verdict:
    """The verdict under some limits."""
    return decide(told, Accept(**limits), void)


@pytest.mark.parametrize(
    ("changed", "hard"),
    [
        ({"silent_packets": 40}, True),
        ({"wrong_clocks": 1}, True),
        ({"corrupt": 1, "shown": 999}, True),
        ({"stray": 1}, True),
        ({"marginal": 1}, False),
        ({"short_gaps": 1}, False),
        ({"lost": 1, "shown": 999}, False),
        ({"repeated": 1}, False),
        ({"out_of_order": 1}, False),
        ({"late": 1}, False),
    ],
)
def test_each_fault_fails_alone(changed: Figures, hard: bool) -> None:
    """Any one fault fails a valid trial; in a void one only what no host can cause."""
    limits = {"latency": "25 ms"}
    assert judged(figures(**changed), **limits).outcome is Outcome.FAIL
    void = judged(figures(**changed), "the queue ran dry", **limits)
    assert void.outcome is (Outcome.FAIL if hard else Outcome.VOID)
    assert void.void == ("the queue ran dry",)
    assert void.exit_code == (ExitCode.FAIL if hard else ExitCode.VOID)


@pytest.mark.parametrize(
    ("changed", "limits", "outcome"),
    [
        ({"lost": 10, "shown": 990}, {"loss": 0.01}, Outcome.PASS),
        ({"lost": 11, "shown": 989}, {"loss": 0.01}, Outcome.FAIL),
        ({"wrong_clocks": 2}, {"wrong_clocks": 2}, Outcome.PASS),
        ({"wrong_clocks": 3}, {"wrong_clocks": 2}, Outcome.FAIL),
        ({"marginal": 2}, {"marginal": 2}, Outcome.PASS),
        ({"marginal": 3}, {"marginal": 2}, Outcome.FAIL),
        ({}, {"skew": "70 ms"}, Outcome.PASS),
        ({}, {"skew": "69999999 ns"}, Outcome.FAIL),
        ({}, {"latency": "1 ns"}, Outcome.PASS),
    ],
)
def test_limits(changed: Figures, limits: Figures, outcome: Outcome) -> None:
    """At a limit is within it."""
    assert judged(figures(**changed), **limits).outcome is outcome


def test_first_thing_to_act_on() -> None:
    """What explains other faults is named first, and all of them are listed."""
    told = figures(
        wrong_clocks=4,
        corrupt=4,
        lost=2,
        shown=994,
        repeated=1,
        causes=[
            {"what": "lost", "cause": "failed check", "count": 2},
            {"what": "wrong_clocks", "cause": "1 clock too many", "count": 3},
            {"what": "wrong_clocks", "cause": "2 clocks too many", "count": 1},
        ],
    )
    verdict = judged(told)
    assert verdict.reason == verdict.failures[0]
    assert verdict.failures == (
        "4 of 1000 bursts had a wrong number of clocks at ebb: mostly 1 clock too many",
        "4 of 1000 packets were shown with wrong data at ebb",
        "2 of 1000 packets were not shown at ebb: failed check",
        "1 of 1000 packets was shown more than once at ebb",
    )


@pytest.mark.parametrize(
    ("changed", "void"),
    [
        ({"offered": 0, "shown": 0}, "no packet was offered"),
        ({"shown": None, "lost": None, "corrupt": None}, "what the nodes show is not"),
    ],
)
def test_nothing_to_judge(changed: Figures, void: str) -> None:
    """Nothing offered, or nothing seen: VOID, and it says why."""
    told = figures() | {"loss_rate": None, "loss_upper": None}
    told["packets"] |= changed
    verdict = judged(told)
    assert verdict.outcome is Outcome.VOID
    assert verdict.reason.startswith(void)


def test_a_pass_says_what_nobody_saw() -> None:
    """Limits that could not be checked are named in the reason of a pass."""
    told = figures(wrong_clocks=None, skew_ns=None)
    verdict = judged(told, skew="60 ms")
    assert verdict.outcome is Outcome.PASS
    assert verdict.not_observable == ("clocks", "skew")
    assert verdict.reason.endswith("not observable: clocks, skew")
    assert judged(told).not_observable == ("clocks",)


def test_exit_codes() -> None:
    """0, 1 and 4, as the face of the program promises."""
    codes = [
        judged(figures()).as_dict()["exit_code"],
        judged(figures(stray=1)).as_dict()["exit_code"],
        judged(figures(), "the host slept").as_dict()["exit_code"],
    ]
    assert codes == [0, 1, 4]


def test_what_a_link_knows() -> None:
    """Findings fail, void or not; its reasons make void; figures and notes are kept."""
    limits = Accept()
    late = Evidence({"queue": 1}, (), ("the queue ran dry",), ("a note",))
    verdict = decide(figures(lost=7, shown=993), limits, (), late)
    assert (verdict.outcome, verdict.reason) == (Outcome.VOID, "the queue ran dry")
    assert verdict.figures["link"] == {"queue": 1}
    assert verdict.as_dict()["notes"] == ["a note"]
    found = late + Evidence({"answers": 3}, ("it answered for 9",))
    verdict = decide(figures(lost=7, shown=993), limits, (), found)
    assert (verdict.outcome, verdict.reason) == (Outcome.FAIL, "it answered for 9")
    assert verdict.void == ("the queue ran dry",)
    assert verdict.failures == ("it answered for 9",)
    verdict = decide(figures(wrong_clocks=2, lost=7, shown=993), limits, (), found)
    assert "wrong number of clocks" in verdict.reason
    assert "link" not in decide(figures(), limits).figures
