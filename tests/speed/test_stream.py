"""How fast a whole trial is, generation and bit-exact judging included.

Run with `-m speed -s`.  All cores there are; the ledger is written as ever.
"""

from __future__ import annotations

import os
from time import perf_counter

import pytest

from bench.api import stream
from bench.profile import load_profile
from bench.profile.load import profile_of

SHORT = ("output.devices=1", "output.register_bits=16", "output.latch_gap=20 us")
CASES = {
    "causeway, 4 nodes": ((), 4, "600s"),
    "24-octet packets, 1 node": (
        (
            *SHORT,
            "traffic.frame_rate=4100 Hz",
            "traffic.foreign.share=70 %",
            "traffic.foreign.lengths=[16]",
        ),
        1,
        "60s",
    ),
    "24-octet packets, 4 nodes": (
        (
            *SHORT,
            "traffic.frame_rate=3000 Hz",
            "traffic.foreign.share=20 %",
            "traffic.foreign.lengths=[16]",
        ),
        4,
        "60s",
    ),
}


@pytest.mark.speed
@pytest.mark.parametrize("name", CASES)
def test_stream(name, tmp_path):
    """Best of three."""
    overrides, nodes, length = CASES[name]
    tables = load_profile("causeway").dump()
    tables["node"] = tables["node"][:nodes]
    for node in tables["node"]:
        for part in ("processor", "output"):
            tables[part] = node.pop(part)
    profile = profile_of(tables, overrides)
    stream(profile, duration="1s", logs=tmp_path, seed=1)
    best = 0.0
    for _ in range(3):
        start = perf_counter()
        result = stream(profile, duration=length, logs=tmp_path, seed=1)
        spent = perf_counter() - start
        best = max(best, result.figures["line"]["characters"] / spent)
    print(  # noqa: T201
        f"\nstream, {name}: {best / 1e6:.0f} M characters/s, {best / 0.4e6:.0f} x "
        f"4 Mbaud, {os.cpu_count()} cores, {result.verdict}"
    )
    assert best > 0
