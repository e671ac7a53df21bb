"""An anomaly is played once more: the same characters, with their timing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.trial.soak.nights import profile_of

import bench
from bench.api_soak import replay_anomaly, soak
from bench.base.errors import UsageError
from bench.ledger import read_run
from bench.ledger.lines import line_of
from bench.traffic.schedule import Schedule
from bench.trial.plan import Plan
from bench.trial.soak.again import BEFORE, Again, span_of

if TYPE_CHECKING:
    from pathlib import Path

PROFILE = profile_of("traffic.foreign.share=20 %", "traffic.frame_rate=50 Hz")
PLAN = Plan(PROFILE, 7, duration_ns=2 * 10**9)


def whole() -> tuple[bytes, Any, Any]:
    """The characters of the trial, the start of each, and its packets."""
    schedule = Schedule(PROFILE, seed=7, duration_ns=PLAN.duration_ns)
    octets, rows, starts = b"", [], []
    while (chunk := schedule.take(5000)) is not None:
        line, sent = chunk
        octets += line.octets.tobytes()
        rows.append(sent.rows.copy())
        starts += started(line)
    return octets, np.concatenate(rows), starts


def started(line: Any) -> list[int]:
    """When each character of a chunk starts."""
    pitch, starts = PROFILE.bus.pitch, []
    ends = [*line.runs["first"][1:].tolist(), len(line.octets)]
    for run, end in zip(line.runs, ends, strict=True):
        place = int(run["start_ns"]), int(run["start_rem"])
        starts += [pitch.at(k, *place) for k in range(end - int(run["first"]))]
    return starts


OCTETS, ROWS, STARTS = whole()


@given(st.integers(0, len(ROWS) - 5), st.integers(1, 6000))
@settings(max_examples=40, deadline=None)
def test_same_characters(packet: int, most: int) -> None:
    """However it is taken, a span is the characters and instants of the whole."""
    span = span_of(PLAN, packet, 0)
    first = max(0, packet - BEFORE)
    assert span.first == ROWS["first"][first]
    assert span.packet == packet
    assert [len(one) for one in span.before] == ROWS["octets"][first:packet].tolist()
    assert span.end == ROWS["first"][packet + 2] + ROWS["octets"][packet + 2]
    source = Again(PLAN, span)
    octets, starts, rows = b"", [], []
    while (chunk := source.take(most)) is not None:
        line, sent = chunk
        assert line.first == len(octets)
        octets += line.octets.tobytes()
        starts += started(line)
        rows += sent.rows[["packet", "first", "start_ns"]].tolist()
    zero_ns = STARTS[span.first]
    assert octets == OCTETS[span.first : span.end]
    assert starts == [ns - zero_ns for ns in STARTS[span.first : span.end]]
    assert [row[0] for row in rows] == list(range(first, packet + 3))
    for number, at, ns in rows:
        assert at == ROWS["first"][number] - span.first
        assert ns == ROWS["start_ns"][number] - zero_ns


def test_at_an_instant() -> None:
    """What is about no packet is played from the packets before its instant."""
    ns = int(ROWS["last_bit_ns"][50]) - 1
    assert span_of(PLAN, None, ns).packet == 50
    with pytest.raises(UsageError, match="the line never came so far"):
        span_of(PLAN, 10**9, 0)


@pytest.mark.parametrize("what", ["stream", "soak"])
def test_comes_again(tmp_path: Path, what: str) -> None:
    """What a node does wrong every time, it does again, in a stretch as in a stream."""
    profile = profile_of("output.clock=2 MHz")
    if what == "stream":
        first: Any = bench.stream(profile, duration="10s", seed=3, logs=tmp_path)
    else:
        first = soak(
            profile,
            duration="10s",
            interval="1s",
            seed=3,
            logs=tmp_path,
            schedule=["2s traffic.frame_rate=8 Hz", "4s silence 1s"],
        )
    anomalies = read_run(first.run).anomalies.records
    number = max(k for k, one in enumerate(anomalies, 1) if "ns" in one)
    result = replay_anomaly(first.run, number)
    told = result.figures["replay"]
    assert told["kind"] in ("corrupt", "wrong_clocks")
    assert (told["reproduced"], told["times"]) == (1, 1)
    assert result.verdict == "FAIL"
    assert result.figures["packets"]["offered"] >= 1
    assert result.run.parent == tmp_path
    assert result.facts["replay"] == {"run": str(first.run), "anomaly": number}


def test_does_not_come_again(tmp_path: Path) -> None:
    """What does not come again is no pass: not reproduced, 0 of 1."""
    first = bench.stream(profile_of(), duration="5s", seed=3, logs=tmp_path)
    told = {"kind": "lost", "node": "ebb", "packet": 21, "ns": 10**9, "before": []}
    with (first.run / "anomalies.log").open("ab") as log:
        log.write(line_of(told))
    result = replay_anomaly(first.run, 1)
    assert (result.verdict, result.exit_code) == ("FAIL", 1)
    assert result.reason == "lost at ebb: not reproduced, 0 of 1"
    assert result.figures["replay"]["reproduced"] == 0


@pytest.mark.parametrize("number", [0, 10_000])
def test_no_such(tmp_path: Path, number: int) -> None:
    """What is not there is refused, with what is."""
    profile = profile_of("output.clock=2 MHz")
    first = bench.stream(profile, packets=20, seed=3, logs=tmp_path)
    with pytest.raises(UsageError, match=f"no such anomaly: {number}, expected 1 to"):
        replay_anomaly(first.run, number)


def test_cannot_be_made_again(tmp_path: Path) -> None:
    """A run whose line does not follow from its seed is not guessed at."""
    profile = profile_of("output.clock=2 MHz")
    facts = {"recording": {"file": "x", "sha256": ""}}
    first = bench.stream(profile, packets=20, seed=3, logs=tmp_path, facts=facts)
    with pytest.raises(UsageError, match="cannot be played again"):
        replay_anomaly(first.run, 1)
    other = bench.stream(profile, packets=20, seed=3, logs=tmp_path, facts={"seed": 4})
    with pytest.raises(UsageError, match="not made again as they are kept"):
        replay_anomaly(other.run, 8)
