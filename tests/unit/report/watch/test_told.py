"""What a live page tells of a run."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.report.watch.told import EVENTS, as_json, brief, told

SNAPSHOT: dict[str, Any] = {
    "profile": "causeway",
    "link": "simulated",
    "dut": {"serial": "17", "revision": "C", "firmware": "sha256:ab", "operator": "Jo"},
    "state": "running",
    "at": "2026-11-25T22:00:00Z",
    "awake_ns": 20_000_000_000,
    "total_ns": 25_000_000_000,
    "left_ns": 3_600_000_000_000,
    "share": 0.005,
    "packets": {"offered": 1600, "shown": 1599, "lost": 1, "corrupt": 0, "stray": None},
    "upper": 0.00296,
    "confidence": 0.95,
    "interval": {
        "number": 2,
        "from_ns": 10_000_000_000,
        "to_ns": 20_000_000_000,
        "packets": {"offered": 800, "shown": 799, "lost": 1},
        "latency_ns": {"least": 1, "p50": 2, "p99": 3, "most": 4},
        "health": {"void": ["the host slept"], "queue_dry": 3, "shell": "sh -c x"},
        "readings": {"supply": "4.98 V", "temperature": 41.5},
    },
    "events": [{"event": "link lost", "text": "pulled", "from_ns": 1, "to_ns": 2}],
    "command": ["power-cycle", "--password", "hunter2"],
    "run": "/home/jo/logs/x",
    "environment": {"KEY": "hunter2"},
}


def test_what_is_told() -> None:
    """What the page needs is there; what is not observable is null, and not zero."""
    made = told(SNAPSHOT)
    assert made["packets"]["lost"] == 1
    assert made["packets"]["stray"] is None
    assert made["packets"]["late"] is None
    assert made["dut"] == {"serial": "17", "revision": "C", "firmware": "sha256:ab"}
    assert made["interval"]["void"] == ["the host slept"]
    assert made["interval"]["readings"] == [["supply", "4.98 V"], ["temperature", 41.5]]
    assert made["events"][0]["event"] == "link lost"
    assert brief(made["interval"]) == {
        "number": 2,
        "offered": 800,
        "lost": 1,
        "p50": 2,
        "p99": 3,
        "void": True,
    }


@pytest.mark.parametrize("secret", ["hunter2", "/home/jo", "Jo", "sh -c x", "--pass"])
def test_what_is_not_told(secret: str) -> None:
    """Commands, folders, the environment and who sits there are left out."""
    assert secret not in as_json(told(SNAPSHOT), []).decode()


def test_limits() -> None:
    """Lists and texts have a limit, and the last events are the ones that are kept."""
    many = [{"event": str(k), "text": "x" * 10_000} for k in range(1000)]
    made = told({"events": many, "reason": "y" * 10_000})
    assert [one["event"] for one in made["events"]] == [
        str(k) for k in range(1000 - EVENTS, 1000)
    ]
    assert len(as_json(made, [])) < 20_000


def test_nothing_known() -> None:
    """An empty snapshot is one: all of it is unknown."""
    made = told({})
    assert (made["state"], made["verdict"], made["interval"]) == (None, None, None)
    assert set(made["packets"].values()) == {None}


WORDS = st.sampled_from([*SNAPSHOT, "verdict", "reason", "health", "void", "readings"])
ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(WORDS | st.text(max_size=5), inner, max_size=4)
    ),
    max_leaves=20,
)


@settings(deadline=None)  # a busy machine is slow at times
@given(st.dictionaries(WORDS, ANYTHING, max_size=12))
def test_any_snapshot_is_strict_json(snapshot: dict[str, Any]) -> None:
    """Whatever is handed in, what comes out is strict JSON of one form."""
    made = told(snapshot)

    def refuse(name: str) -> None:
        raise AssertionError(name)

    back = json.loads(as_json(made, []), parse_constant=refuse)
    assert back.keys() == told({}).keys() | {"recent"}
