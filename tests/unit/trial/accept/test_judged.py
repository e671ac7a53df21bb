"""What steps come to: required, measured, margin, verdict."""

from __future__ import annotations

from typing import Any

import pytest

from bench.judge.verdict import Outcome
from bench.trial.accept.judged import corpus, edge, trial, upset
from bench.trial.accept.model import EdgeStep
from bench.trial.accept.result import verdict_of
from bench.trial.soak.wanted import Wanted

PASS, FAIL, VOID = Outcome.PASS, Outcome.FAIL, Outcome.VOID


def streamed(lost: int | None, of: int, verdict: str = "PASS") -> dict[str, Any]:
    """A verdict of packets."""
    return {
        "verdict": verdict,
        "reason": "as it was",
        "packets": {"offered": of, "lost": lost},
    }


@pytest.mark.parametrize(
    ("lost", "of", "verdict", "wanted"),
    [
        (0, 29957, "PASS", PASS),  # 1e-4 at 95 %: the success-run theorem, 29,956
        (0, 29956, "PASS", PASS),
        (0, 29955, "PASS", VOID),
        (1, 47437, "PASS", PASS),  # Poisson, 4.7439 at one event (Gehrels 1986)
        (1, 47430, "PASS", VOID),
        (30, 29957, "PASS", FAIL),
        (0, 29957, "FAIL", FAIL),
        (0, 29957, "VOID", VOID),
        (None, 29957, "VOID", VOID),
    ],
)
def test_bound(lost: int | None, of: int, verdict: str, wanted: Outcome) -> None:
    """A bound is shown, not shown for want of packets, or surely not kept."""
    said = trial(streamed(lost, of, verdict), Wanted(1e-4))
    assert said.verdict is wanted
    assert said.required == "loss < 0.0001"
    if wanted is PASS:
        assert said.margin is not None
        assert said.margin >= 1


def test_no_bound() -> None:
    """Without one the profile's limits decide, and nothing is a margin."""
    said = trial(streamed(0, 800), None)
    assert (said.verdict, said.margin, said.measured) == (PASS, None, "0 of 800 lost")
    assert trial(streamed(None, 800, "VOID"), None).measured == "not observable"


def step(**more: Any) -> EdgeStep:
    """An edge that is asked for."""
    return EdgeStep.model_validate({"name": "e", "kind": "edge", **more})


def found(last: float, first: float, **more: Any) -> dict[str, Any]:
    """An edge that was found."""
    return {
        "reason": "found",
        "last_good": last,
        "first_bad": first,
        "last_good_text": f"{last:g} Hz",
        **more,
    }


ENDS = {"nominal": 250e3, "from": 250e3, "to": 2e6, "least": 1e6, "most": 1e6}


@pytest.mark.parametrize(
    ("last", "verdict", "measured"),
    [(375e3, PASS, "1.5 ×"), (374.9e3, FAIL, "1.49 ×"), (1.135e6, PASS, "4.54 ×")],
)
def test_margin_above(last: float, verdict: Outcome, measured: str) -> None:
    """More than the profile's value fails further up: last good over nominal."""
    said = edge(step(vary="c", to="2 MHz", margin=1.5), found(last, last + 1e4), ENDS)
    assert (said.verdict, said.measured) == (verdict, measured)
    assert said.margin == pytest.approx(last / 250e3 / 1.5)


def test_margin_below() -> None:
    """Where less is worse it is nominal over last good."""
    asked = step(vary="c", to="50 kHz", margin=2.0)
    assert edge(asked, found(100e3, 99e3), ENDS).margin == pytest.approx(1.25)
    assert edge(asked, found(200e3, 199e3), ENDS).verdict is FAIL


def test_least_and_most() -> None:
    """Values that are demanded as such."""
    assert (
        edge(step(vary="c", to="x", least="1 MHz"), found(1e6, 2e6), ENDS).margin == 1
    )
    low = edge(step(vary="c", to="x", least="1 MHz"), found(9e5, 1e6), ENDS)
    assert low.verdict is FAIL
    assert low.reason == "at least 1 MHz required, 900000 Hz found: found"
    assert edge(step(vary="c", to="x", most="1 MHz"), found(5e5, 4e5), ENDS).margin == 2


def test_no_edge() -> None:
    """Two ends that work are far enough, or not; two that fail are a failure."""
    ends = [{"value": 250e3, "text": "250 kHz"}, {"value": 2e6, "text": "2 MHz"}]
    good = {"reason": "no change", "last_good": 2e6, "first_bad": None, "ends": ends}
    said = edge(step(vary="c", to="2 MHz", margin=1.5), good, ENDS)
    assert (said.verdict, said.measured) == (PASS, "8 ×")
    bad = {"reason": "both fail", "last_good": None, "first_bad": 250e3, "ends": ends}
    assert edge(step(vary="c", to="2 MHz", margin=1.5), bad, ENDS).verdict is FAIL


def test_a_search_that_says_nothing() -> None:
    """A search that was void, or stopped, is void."""
    silent = {"reason": "the queue ran dry", "last_good": None, "first_bad": None}
    said = edge(step(vary="c", to="2 MHz", margin=1.5), silent, ENDS)
    assert (said.verdict, said.reason) == (VOID, "the queue ran dry")


def test_throughput() -> None:
    """The best frame rate over the profile's; none at all is a failure."""
    asked = step(method="throughput", margin=1.05)
    ends = {"nominal": 20.0, "from": 1.0, "to": 22.0}
    nothing = {"reason": "r", "last_good": None, "first_bad": None}
    made = {**nothing, "throughput": {"frame_rate_hz": 22}}
    assert edge(asked, made, ends).margin == pytest.approx(22 / 20 / 1.05)
    assert edge(asked, {**nothing, "throughput": None}, ends).verdict is FAIL
    assert edge(asked, nothing, ends).verdict is VOID


def window(low: float, high: float) -> dict[str, Any]:
    """Windows of two nodes, the second one narrower."""
    texts = {"low_text": f"{100 * low:g} %", "high_text": f"{100 * high:g} %"}
    wide = {"name": "wide", "low": -0.05, "high": 0.05}
    narrow = {"name": "narrow", "low": low, "high": high, **texts}
    return {"reason": "r", "nodes": [wide, narrow], "window": narrow}


def test_window() -> None:
    """Both sides have to reach; the node that does not is named."""
    asked = step(vary="bus.baud_offset", window="2 %")
    assert edge(asked, window(-0.04, 0.03), {}).margin == pytest.approx(1.5)
    said = edge(asked, window(-0.04, 0.01), {})
    assert said.verdict is FAIL
    assert said.reason == "narrow takes -4 % to 1 %, ±2 % required"
    fails = {"reason": "narrow fails without an offset: lost"}
    assert edge(asked, fails, {}).verdict is FAIL
    assert edge(asked, {"reason": "stopped"}, {}).verdict is VOID


def test_upsets() -> None:
    """The bound over the slowest return is the margin, of a pass."""
    nodes = [{"bound": 2, "first": 1}, {"bound": 3, "first": 2}]
    one = {"verdict": "PASS", "nodes": nodes}
    said = upset({"verdict": "PASS", "reason": "r", "upsets": [one]})
    assert (said.verdict, said.margin, said.measured) == (PASS, 1.5, "1 of 1 upsets")
    never = {"verdict": "FAIL", "nodes": [{"bound": None, "first": None}]}
    said = upset({"verdict": "FAIL", "reason": "r", "upsets": [one, never]})
    assert (said.verdict, said.margin, said.measured) == (FAIL, None, "1 of 2 upsets")


@pytest.mark.parametrize(
    ("replayed", "faults", "least", "verdict"),
    [(3, [], 0, PASS), (0, [], 0, PASS), (2, [], 3, VOID), (3, ["torn"], 0, VOID)],
)
def test_corpus(replayed: int, faults: list[str], least: int, verdict: Outcome) -> None:
    """Cases that could not be used, or are too few, prove nothing."""
    told = {"replayed": replayed, "failed": 0, "faults": faults}
    said = corpus({"verdict": "PASS", "reason": "r", "corpus": told}, least)
    assert said.verdict is verdict


def record(name: str, verdict: str, margin: float | None = None) -> dict[str, Any]:
    """A step that is done."""
    return {
        "name": name,
        "kind": "stream",
        "verdict": verdict,
        "reason": f"{name} was so",
        "required": "",
        "measured": "",
        "margin": margin,
        "run": "logs/x",
    }


@pytest.mark.parametrize(
    ("verdicts", "word", "reason"),
    [
        (["PASS", "PASS"], "PASS", "all 2 steps passed; least margin 1.5 × what"),
        (["PASS", "VOID"], "VOID", "1: 1 was so"),
        (["VOID", "FAIL"], "FAIL", "1: 1 was so"),
        (["PASS"], "VOID", "not tried: 1"),
        (["FAIL"], "FAIL", "0: 0 was so"),
        ([], "VOID", "not tried: 0, 1"),
    ],
)
def test_in_all(verdicts: list[str], word: str, reason: str) -> None:
    """FAIL wins, then VOID, steps that were not tried among it; a pass needs all."""
    records = [record(str(k), verdict, 1.5) for k, verdict in enumerate(verdicts)]
    said = verdict_of(records, ["0", "1"])
    assert said["verdict"] == word
    assert said["reason"].startswith(reason)
