"""A night summed up from its records is what the judge of one long trial says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.trial.soak.nights import intervals, profile_of

import bench
from bench.api_soak import soak
from bench.judge.histogram import Histogram
from bench.ledger import read_run
from bench.trial.soak.sums import Sums

if TYPE_CHECKING:
    from pathlib import Path

LOSING = ("processor.rearrange.per_octet=8 ms",)
"""Nodes that run out of receive buffers."""

EXTRA = ("output.clock=2 MHz",)
"""Nodes that shift one clock too many."""


@pytest.mark.parametrize(
    "overrides", [(), LOSING, EXTRA], ids=["good", "lose", "clock"]
)
def test_same_as_one_trial(tmp_path: Path, overrides: Any) -> None:
    """A soak of one stretch says of its packets what a stream of that seed says."""
    profile = profile_of(*overrides)
    given: dict[str, Any] = {"duration": "20s", "seed": 5, "logs": tmp_path}
    whole = bench.stream(profile, **given).figures
    night = soak(profile, interval="1s", **given).figures
    assert whole["packets"]["offered"] == 800
    for key, value in whole.items():
        if key in ("spent_ns", "reason", "latency_ns", "spread_ns"):
            continue
        if key == "examples":
            assert night[key].keys() == value.keys()
            continue
        assert night[key] == value, key
    assert night["reason"] == whole["reason"]
    for what, times in whole["latency_ns"].items():
        for quantile, ns in times.items():
            # Bins that are told together are 1/64 of the time wide at most.
            made = night["latency_ns"][what][quantile]
            assert made == ns if ns is None else ns <= made <= ns * 65 / 64
    assert bool(whole["packets"]["lost"]) == (overrides == LOSING)
    assert bool(whole["bursts"]["wrong_clocks"]) == (overrides == EXTRA)


def test_packets_count_when_sent(tmp_path: Path) -> None:
    """Intervals partition the packets by when they were sent, not when shown."""
    profile = profile_of("processor.rearrange.per_octet=8 ms")
    result = soak(profile, duration="12s", interval="1s", seed=1, logs=tmp_path)
    rows = intervals(read_run(result.run))
    assert [row["from_ns"] for row in rows[1:]] == [row["to_ns"] for row in rows[:-1]]
    for row in rows:
        packets = row["packets"]
        kept = packets["shown"] + packets["lost"] + packets["corrupt"]
        assert packets["offered"] == kept
        assert sum(row["packets_by_node"]["offered"]) == packets["offered"]
    whole = [sum(row["packets"][w] for row in rows) for w in ("offered", "lost")]
    packets = result.figures["packets"]
    assert whole == [packets["offered"], packets["lost"]]


def record(void: bool = False, **packets: int) -> dict[str, Any]:
    """An interval of four nodes."""
    counts = {"offered": 8, "shown": 8, "lost": 0, "corrupt": 0, "stray": 0}
    counts |= {"repeated": 0, "out_of_order": 0, "late": 0, "ambiguous": 0} | packets
    shown = Histogram()
    shown.add([1000 * (1 + 9 * void)])
    return {
        "from_ns": 0,
        "to_ns": 10,
        "characters": 100,
        "packets": counts,
        "bursts": {"count": 8, "wrong_clocks": 1, "marginal": 0, "short_gaps": 0},
        "dropped_frames": counts["lost"],
        "lost_characters": 3,
        "latency_bins": {"shown": shown.sparse()},
        "packets_by_node": {w: [n, 0, 0, 0] for w, n in counts.items()},
        "causes": [
            {"what": "lost", "cause": "overrun", "count": counts["lost"]},
            {"what": "stray", "cause": "nobody's", "count": counts["stray"]},
        ],
        "health": {"void": ["the host was asleep for 3 h"] if void else []},
    }


def test_void_hides_losses_and_nothing_else() -> None:
    """Of a void interval no loss and no time counts; strays and clocks do."""
    sums = Sums(profile_of())
    sums.take(record())
    sums.take(record(void=True, shown=1, lost=7, stray=2, late=1))
    figures = sums.figures()
    assert figures["packets"] | {"stray": 2} == figures["packets"]
    assert (figures["packets"]["offered"], figures["packets"]["lost"]) == (8, 0)
    assert figures["packets"]["late"] == 0
    assert figures["loss"]["n"] == 8
    assert figures["dropped_frames"] == 0
    assert figures["bursts"]["wrong_clocks"] == 2
    assert figures["lost_characters"] == 6
    assert figures["latency_ns"]["shown"]["max"] == 1000
    assert [cause["what"] for cause in figures["causes"]] == ["stray"]
    assert figures["not_judged"]["packets"]["lost"] == 7
    assert figures["nodes"][0]["packets"]["lost"] == 0
    assert figures["nodes"][0]["packets"]["stray"] == 2


def test_not_observable_is_not_zero() -> None:
    """What was not observable in any interval is not observable in all."""
    sums = Sums(profile_of())
    blind = record()
    blind["packets"] = dict.fromkeys(blind["packets"]) | {"offered": 8}
    blind["bursts"] = dict.fromkeys(blind["bursts"])
    blind |= {"dropped_frames": None, "lost_characters": None, "latency_bins": {}}
    sums.take(blind)
    sums.take(blind | {"health": {"void": ["late"]}})
    figures = sums.figures()
    assert figures["packets"] == blind["packets"]
    assert figures["bursts"]["count"] is None
    assert figures["lost_characters"] is None
    assert figures["latency_ns"]["shown"] is None
    assert figures["loss_rate"] is None
    assert figures["loss_upper"] is None


def test_nothing_yet() -> None:
    """Of no interval at all there are no invented figures."""
    figures = Sums(profile_of()).figures()
    assert figures["packets"]["offered"] == 0
    assert figures["packets"]["shown"] is None
    assert figures["loss_upper"] is None
    assert figures["line"]["offered_load"] is None


@given(
    st.lists(st.lists(st.integers(-5, 1 << 45), max_size=300), max_size=4),
)
@settings(max_examples=60, deadline=None)
def test_bins_come_back(parts: list[list[int]]) -> None:
    """Times told as bins and added up: count and ends exact, quantiles 1/64 at most."""
    whole, told = Histogram(), Histogram()
    for part in parts:
        one = Histogram()
        one.add(part)
        whole.add(part)
        if (bins := one.sparse()) is not None:
            told.add_sparse(bins)
    assert (told.n, told.least, told.greatest) == (whole.n, whole.least, whole.greatest)
    for share in (0.01, 0.5, 0.99):
        true, made = whole.quantile(share), told.quantile(share)
        if true is None or true < 0:
            assert made == true
        else:
            assert made is not None
            assert true <= made <= true + true / 32 + 16
