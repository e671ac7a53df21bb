"""The one line on a rig that verdicts quote."""

from __future__ import annotations

from bench.report.rig import rig_line

RECORD = {
    "when": "20251104T061500Z",
    "wanted_baud": 4_000_000,
    "baud": {"baud": 4_000_120.0, "plus_minus": 40.0},
    "round_trip_ns": {"p50": 16_040_000},
    "beat": {"of": "adapter", "ns": 16_000_000},
    "idle_share": 0.001,
    "uncertainty": 0.0005,
    "late_ns": {"p99": 28_000},
    "spacing_kept": True,
}


def test_a_rig_that_was_qualified():
    """Which, when, at which baud, what it resolves and what is not the node's."""
    assert rig_line("/dev/ttyX", RECORD) == (
        "/dev/ttyX qualified 2025-11-04 06:15 UTC at 4 Mbaud: write calls within 28 us "
        "in 99 of 100; 16 ms of a round trip are not the node's; answers in steps of "
        "16 ms (latency timer); real baud 4.00012 Mbaud ± 40 baud; line idle at most "
        "0.15 % of a packed run"
    )


def test_what_was_not_observable_is_said():
    """A loop has no baud, and nothing was found of its spacing."""
    record = {"when": "20251104T061500Z", "late_ns": {"p99": 2_000_000}}
    assert rig_line("loop", record) == (
        "loop qualified 2025-11-04 06:15 UTC: write calls within 2 ms in 99 of 100, "
        "spacing not kept; real baud not observable; idle time of the line not "
        "observable"
    )
    assert "at an unknown time" in rig_line("loop", {"when": None})


def test_a_rig_that_never_was():
    """It says the command; a name with a space is quoted as a shell wants it."""
    assert rig_line("loop", None) == (
        "rig not qualified: nightbench qualify --link loop"
    )
    assert "--link 'child:./node -v'" in rig_line("child:./node -v", None)
