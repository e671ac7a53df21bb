"""The schedule's kernel against its plain twin."""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import repeat
from math import floor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from twins.schedule_cases import (
    FRAMINGS,
    PACINGS,
    SHARED_FRAMINGS,
    cases,
    keys,
    profile_of,
)
from twins.schedule_chunks import Whole, collect
from twins.schedule_twin import Plain

from bench.traffic.schedule import Schedule

SENDABLE = [
    (framing, pacing)
    for framing in FRAMINGS
    for pacing in PACINGS
    if (framing, pacing) != ("silence", "packed")
]
SHARED = [pair for pair in SENDABLE if pair[0] in SHARED_FRAMINGS]


def _schedule(case: dict, seed: int, **ends: int | None) -> Schedule:
    recording = np.frombuffer(case["recording"], np.uint8)
    return Schedule(profile_of(case), seed=seed, recording=recording, **ends)


def _assert_same(whole: Whole, plain: Plain) -> None:
    assert whole.rows == plain.rows
    assert whole.octets == plain.octets
    assert whole.breaks == plain.breaks
    assert whole.marks == plain.marks
    assert whole.starts == plain.starts


@pytest.mark.parametrize(("framing", "pacing"), SENDABLE)
@given(data=st.data(), seed=st.integers(0, 2**64 - 1))
@settings(max_examples=30, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_kernel_and_twin_send_the_same(framing, pacing, data, seed):
    """Octets, packets, breaks and start times agree exactly, however they are cut."""
    case = data.draw(cases(framing, pacing))
    packets = data.draw(st.integers(0, 12))
    most = data.draw(st.sampled_from([1, 7, 50, 5000]))
    pitch = case["pitch_ns"]
    whole = collect(_schedule(case, seed, packets=packets), repeat(most), pitch)
    _assert_same(whole, Plain(case, keys(seed), packets=packets))


@pytest.mark.parametrize(("framing", "pacing"), SHARED)
@given(data=st.data(), seed=st.integers(0, 2**64 - 1))
@settings(max_examples=20, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_one_packet_for_all_nodes(framing, pacing, data, seed):
    """Kernel and twin agree where a payload has a window for each node."""
    case = data.draw(cases(framing, pacing, shared=True))
    packets = data.draw(st.integers(0, 9))
    most = data.draw(st.sampled_from([1, 50, 5000]))
    pitch = case["pitch_ns"]
    whole = collect(_schedule(case, seed, packets=packets), repeat(most), pitch)
    _assert_same(whole, Plain(case, keys(seed), packets=packets))


@pytest.mark.parametrize("pacing", PACINGS)
@given(data=st.data(), share=st.floats(0, 1))
@settings(max_examples=20, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_a_duration_ends_both_alike(pacing, data, share):
    """The last own packet is the last one whose target lies before the duration."""
    case = data.draw(cases("marker", pacing))
    duration_ns = int(share * 8 * 10**9 / case["rate"])
    if pacing == "flood":
        duration_ns = int(share * 100 * case["pitch_ns"])
    schedule = _schedule(case, 5, duration_ns=duration_ns)
    plain = Plain(case, keys(5), duration_ns=duration_ns)
    _assert_same(collect(schedule, repeat(100), case["pitch_ns"]), plain)


@pytest.mark.parametrize(("framing", "pacing"), SENDABLE)
@given(data=st.data())
@settings(max_examples=10, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_any_split_into_chunks_is_the_whole(framing, pacing, data):
    """Whatever is asked for at a time, the same comes, and no bound is broken."""
    shared = framing in SHARED_FRAMINGS and data.draw(st.booleans())
    case = data.draw(cases(framing, pacing, shared))
    pitch = case["pitch_ns"]
    mosts = data.draw(st.lists(st.integers(1, 200), min_size=1, max_size=8))
    whole = collect(_schedule(case, 3, packets=9), repeat(1 << 20), pitch)
    turns = (mosts[k % len(mosts)] for k in range(1 << 30))
    parts = collect(_schedule(case, 3, packets=9), turns, pitch)
    _assert_same(parts, whole)
    plain = Plain(case, keys(3), packets=9)
    for first, until_ns in parts.untils:
        if first < len(parts.starts):
            assert until_ns <= floor(parts.starts[first])
    assert parts.untils[-1][1] == plain.end


@pytest.mark.skipif(
    bool(os.environ.get("NUMBA_BOUNDSCHECK")), reason="this is that run"
)
def test_kernels_stay_within_their_arrays():
    """With every index checked everything is the same, and no check fires."""
    here = Path(__file__)
    names = ("schedule", "payload", "packets", "prbs", "checks", "philox", "words")
    files = [str(here.with_name(f"test_{name}.py")) for name in names]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *files],
        env=os.environ | {"NUMBA_BOUNDSCHECK": "1", "PYTHONPATH": str(here.parents[2])},
        cwd=here.parents[2],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
