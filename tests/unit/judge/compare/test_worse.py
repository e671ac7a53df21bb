"""What two runs come to."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from bench.judge.compare.changed import changes
from bench.judge.compare.sides import Side, side_of
from bench.judge.compare.steps import compared_steps
from bench.judge.compare.worse import compared


def verdict(lost: int = 0, of: int = 1000, **more: Any) -> dict[str, Any]:
    """A verdict of a stream."""
    packets = {
        "offered": of,
        "shown": of - lost,
        "lost": lost,
        "corrupt": 0,
        "stray": 0,
        "late": 0,
        "repeated": 0,
        "out_of_order": 0,
    }
    given = {"packets": packets | more.pop("packets", {})}
    return {
        "verdict": "FAIL" if lost else "PASS",
        "reason": f"{lost} lost",
        "bursts": {"count": of, "wrong_clocks": 0},
        "causes": [],
        **given,
        **more,
    }


def side(*args: Any, **more: Any) -> Side:
    """One run without intervals."""
    return side_of(verdict(*args, **more), [])


def outcome(before: Side, after: Side) -> str:
    """In a word; what is made is strict JSON."""
    made = compared(before, after)
    json.dumps(made, allow_nan=False)
    word: str = made["outcome"]
    return word


def test_nothing_changed() -> None:
    """Nothing lost twice is not worse, and it is said what that rests on."""
    made = compared(side(), side(of=2000))
    assert (made["outcome"], made["exit_code"]) == ("not worse", 0)
    # Exact bounds: 1 - 0.05^(1/1000) and 1 - 0.05^(1/2000), rule of three.
    assert "below 0.00299 and 0.0015 at 95 % confidence" in made["reason"]


def test_a_few_losses_are_no_proof() -> None:
    """Three losses more than seven may be chance, thirty more are not."""
    accepted = {"verdict": "PASS"}
    seven = side(7, **accepted)
    assert outcome(seven, side(10, **accepted)) == "not worse"
    made = compared(seven, side(37, **accepted))
    assert (made["outcome"], made["exit_code"]) == ("worse", 1)
    assert made["reason"].startswith("lost: 37 of 1000, before 7 of 1000; at one rate")
    assert outcome(side(37, **accepted), seven) == "not worse"


def test_pass_to_fail() -> None:
    """What passed and fails now is worse, however few packets say so."""
    made = compared(side(0), side(1))
    assert made["outcome"] == "worse"
    assert made["reason"] == "it fails where it passed before: 1 lost"


@pytest.mark.parametrize("word", ["corrupt", "stray"])
def test_hard_faults(word: str) -> None:
    """What no host can have caused is worse at once, void or not; but not twice."""
    bad = side(verdict="FAIL", packets={word: 1})
    void = side(verdict="VOID", packets={word: 1})
    fails = side(3, verdict="FAIL")
    assert outcome(fails, bad) == "worse"
    assert outcome(side(verdict="VOID"), void) == "worse"
    assert outcome(bad, bad) == "not worse"


def test_wrong_clocks() -> None:
    """So is a wrong number of clocks."""
    bad = side(verdict="FAIL", bursts={"count": 1000, "wrong_clocks": 2})
    assert outcome(side(3, verdict="FAIL"), bad) == "worse"


def test_void_says_nothing() -> None:
    """A void run says nothing of loss; one without a verdict neither."""
    for odd in ("VOID", None):
        made = compared(side(), side(500, verdict=odd))
        assert (made["outcome"], made["exit_code"]) == ("cannot say", 4)
        assert made["latency"] == []


def test_not_observable_is_no_zero() -> None:
    """Of what one run could not observe nothing is made."""
    blind = side(packets={"lost": None, "shown": None, "corrupt": None, "late": None})
    made = compared(side(), blind)
    assert made["outcome"] == "cannot say"
    assert {one["what"] for one in made["rates"]}.isdisjoint(
        {"lost", "corrupt", "late"}
    )
    assert outcome(side(of=0), side(of=0)) == "cannot say"


def cause(count: int, text: str = "its receive buffer was full") -> dict[str, Any]:
    """A cause of losses."""
    return {"what": "lost", "cause": text, "count": count, "first": {}}


def test_new_causes() -> None:
    """A new cause is told, and worse if chance does not explain it; old ones go."""
    was = side(20, verdict="FAIL", causes=[cause(20)])
    few = side(20, verdict="FAIL", causes=[cause(19), cause(1, "an overrun")])
    many = side(20, verdict="FAIL", causes=[cause(20, "an overrun")])
    made = compared(was, few)
    assert made["outcome"] == "not worse"
    assert [one["new"] for one in made["causes"]] == [True, False]
    made = compared(was, many)
    assert made["outcome"] == "worse"
    assert made["reason"] == "new: 20 lost, an overrun"
    assert made["causes"][1]["gone"]


def test_intervals_that_the_host_spoilt() -> None:
    """Losses of spoilt intervals are left out, and it is said how many there were."""

    def records(lost: int) -> list[dict[str, Any]]:
        spoilt = {"health": {"void": ["the host slept"]}}
        packets = {"offered": 500, "lost": 0, "late": 0}
        return [
            {"packets": packets | {"lost": 0}, "health": {"void": []}},
            {"packets": packets | {"lost": lost}, **spoilt},
            {"event": "host asleep"},
        ]

    after = side_of(verdict(40, verdict="PASS"), records(40))
    assert (after.offered, after.soft["lost"], after.void_intervals) == (500, 0, 1)
    made = compared(side(), after)
    assert made["outcome"] == "not worse"
    assert any("1 intervals of the second run" in note for note in made["notes"])


def spread(ns: int) -> dict[str, Any]:
    """A distribution of latencies around a time."""
    edges = [ns - 1000 + 20 * k for k in range(100)]
    one = {"first_ns": edges, "last_ns": [e + 19 for e in edges], "count": [10] * 100}
    return {"shown": one, "first_bit": one}


def test_latency() -> None:
    """Longer by more than the tolerance, and surely, is worse; shorter is not."""
    was = side(spread_ns=spread(1_000_000))
    assert outcome(was, side(spread_ns=spread(1_005_000))) == "not worse"
    assert outcome(was, side(spread_ns=spread(900_000))) == "not worse"
    made = compared(was, side(spread_ns=spread(1_050_000)))
    assert made["outcome"] == "worse"
    assert made["reason"].startswith("latency to shown, p50: 1.0")
    made = compared(was, side(spread_ns=spread(1_050_000)), tolerance=0.1)
    assert made["outcome"] == "not worse"


def test_false_alarms() -> None:
    """Boards that are no worse are called worse in at most 5 % of comparisons."""
    draws = np.random.default_rng(17)
    alarms = 0
    for _ in range(300):
        one, two = draws.binomial(2000, [0.01, 0.01])
        late = draws.binomial(2000, [0.02, 0.02])
        sides = [
            side(int(lost), 2000, verdict="PASS", packets={"late": int(n)})
            for lost, n in ((one, late[0]), (two, late[1]))
        ]
        alarms += outcome(*sides) == "worse"
    # Exact tests keep below their level; half of it belongs to latencies.
    assert alarms <= 0.05 * 300


def test_a_real_worsening_is_found() -> None:
    """Three times the loss in 20,000 packets is found nearly always."""
    draws = np.random.default_rng(18)
    found = 0
    for _ in range(50):
        lost = draws.binomial(20_000, [0.001, 0.003])
        sides = [side(int(n), 20_000, verdict="PASS") for n in lost]
        found += outcome(*sides) == "worse"
    assert found >= 48


# --- what else changed ----------------------------------------------------------------


FACTS = {
    "link": "simulated",
    "rig": {"host": "bench", "versions": {"numpy": "2.4"}},
    "dut": {"serial": "17", "firmware": None},
}
PROFILE = '[bus]\nbaud = "4 Mbaud"\n[[node]]\naddress = 1\n[[node]]\naddress = 2\n'


def test_changes() -> None:
    """Profile, link, rig and device are each told with both values."""
    other = {
        "link": "pty",
        "rig": {"host": "bench", "versions": {"numpy": "2.5"}},
        "dut": {"serial": "17", "firmware": "sha256:ab"},
    }
    profiles = PROFILE, PROFILE.replace("4 M", "3 M")
    assert changes(FACTS, other, profiles) == [
        {"of": "profile", "what": "bus.baud", "before": "4 Mbaud", "after": "3 Mbaud"},
        {"of": "link", "what": "link", "before": "simulated", "after": "pty"},
        {"of": "rig", "what": "versions.numpy", "before": "2.4", "after": "2.5"},
        {"of": "dut", "what": "firmware", "before": None, "after": "sha256:ab"},
    ]
    assert changes(FACTS, FACTS, (PROFILE, PROFILE)) == []


def test_changes_of_several_nodes() -> None:
    """What changed alike at several nodes is told once; a profile that is gone too."""
    more = PROFILE.replace("address", "fifo = 8\naddress")
    (one,) = changes(FACTS, FACTS, (PROFILE, more))
    assert (one["what"], one["before"], one["after"]) == ("node.0,1.fifo", None, "8")
    assert len(changes(FACTS, FACTS, (PROFILE, None))) == 3
    (torn,) = changes(FACTS, FACTS, (PROFILE, PROFILE + "[["))
    assert torn["what"] == "text"


# --- steps ----------------------------------------------------------------------------


def accepted(**verdicts: str) -> dict[str, Any]:
    """The verdict of an acceptance."""
    steps = [
        {"name": name, "kind": "stream", "verdict": word, "margin": None}
        for name, word in verdicts.items()
    ]
    return {"accept": {"plan_sha256": "ab", "steps": steps}}


@pytest.mark.parametrize(
    ("before", "after", "word"),
    [
        ({"a": "PASS"}, {"a": "PASS"}, "not worse"),
        ({"a": "PASS", "b": "PASS"}, {"a": "PASS", "b": "FAIL"}, "worse"),
        ({"a": "FAIL"}, {"a": "FAIL"}, "not worse"),
        ({"a": "FAIL"}, {"a": "PASS"}, "not worse"),
        ({"a": "PASS"}, {"a": "VOID"}, "cannot say"),
        ({"a": "PASS"}, {"b": "PASS"}, "cannot say"),
    ],
)
def test_steps(before: dict[str, str], after: dict[str, str], word: str) -> None:
    """A step that passed and fails now is worse; a void one says nothing."""
    made = compared_steps(accepted(**before), accepted(**after))
    assert made["outcome"] == word
