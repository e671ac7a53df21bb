"""Sighting lines become rows; what was promised and is missing voids the trial."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from unit.link.sight.packets import columns

from bench.base.columns import Drop
from bench.link.lines import format_line
from bench.link.sight import LinesSighter, sighter_of
from bench.link.transport import Heard
from bench.profile import load_profile

ALL = ["octets", "clocks", "marginal", "times", "dropped", "lost"]


def sighter(tells: list[str] | None = None) -> LinesSighter:
    """A sighter of the causeway's four nodes."""
    overrides = ["observe.by=lines"]
    if tells is not None:
        names = ", ".join(f'"{name}"' for name in tells)
        overrides.append(f"observe.lines.tells=[{names}]")
    found = sighter_of(load_profile("causeway", overrides))
    assert isinstance(found, LinesSighter)
    return found


def hear(who: LinesSighter, *lines: bytes, at_ns: int = 5_000) -> None:
    """Lines come, in one read."""
    who.heard(Heard(b"".join(lines), at_ns), at_ns)


def test_everything_told():
    """Every column is filled from its key, times on those of the trial."""
    who = sighter(ALL)
    who.sent(*columns(0, 0, b"\xa5", (700, 3200)))
    who.sent(*columns(1, 1, b"\xa5", (9_000, 11_500)))
    hear(
        who,
        format_line(
            "shown",
            node="2",
            octets=b"\x01\x02",
            clocks=24,
            burst=1000,
            first=1100,
            end=2000,
            shown=2500,
            marginal=False,
        ),
        format_line("dropped", node="1", reason="bad-check"),
        format_line("lost", node=1, characters=3),
    )
    seen = who.seen(10_000)
    (row,) = seen.shown
    assert [int(value) for value in row] == [1700, 1800, 2700, 3200, 24, 0, 2, 1, 0, -1]
    assert seen.data.tobytes() == b"\x01\x02"
    (dropped,) = seen.dropped
    assert (dropped["reason"], dropped["node"], dropped["ns"]) == (
        Drop.BAD_CHECK,
        0,
        5000,
    )
    assert (dropped["first"], dropped["end"]) == (-1, -1)
    assert len(seen.lost) == 3
    assert set(seen.lost["node"].tolist()) == {0}
    assert set(seen.lost["at"].tolist()) == {-1}
    assert who.evidence().void == who.evidence().notes == ()
    assert len(who.seen(20_000).shown) == 0


def test_what_is_not_promised_is_not_observed():
    """Lines that tell more than the profile says: the columns hold what it says."""
    who = sighter([])
    observes = who.observes
    assert observes.shown
    for part in ("data", "clocks", "marginal", "times", "dropped", "lost"):
        assert not getattr(observes, part)
    hear(
        who,
        b"shown node=1 octets=0102 clocks=16 first=5 end=6 shown=7 marginal=1\n",
        b"shown node=1\n",
        b"dropped node=1 reason=bad-check\nlost node=1 characters=2\n",
    )
    seen = who.seen(10_000)
    assert seen.shown["shown_ns"].tolist() == [0, 1]  # the order of the lines
    for column in ("burst_ns", "first_bit_ns", "end_ns", "clocks", "marginal"):
        assert seen.shown[column].tolist() == [-1, -1]
    assert not len(seen.data)
    assert not len(seen.dropped)
    assert not len(seen.lost)
    assert who.evidence().void == ()


def test_broken_promises():
    """A line without what the profile says it tells voids the trial, once a key."""
    who = sighter(["octets", "times"])
    hear(who, b"shown node=1 shown=5\n", b"shown node=1 octets=01\n", b"shown node=1\n")
    who.seen(10_000)
    assert who.evidence().void == (
        "2 of 3 shown lines without octets, which observe.lines.tells promises",
        "2 of 3 shown lines without times, which observe.lines.tells promises",
    )


def test_never_latched():
    """A burst that was never latched says so by a time below zero."""
    who = sighter(["times"])
    hear(who, b"shown node=1 burst=4 end=9 shown=-1\n")
    (row,) = who.seen(10_000).shown
    assert (row["burst_ns"], row["first_bit_ns"], row["shown_ns"]) == (4, 4, -1)
    assert who.evidence().void == ()


def test_resets_and_status():
    """A reset is a finding; counters are kept as figures."""
    who = sighter()
    name = load_profile("causeway").node[2].name
    hear(
        who,
        format_line("reset", node=name, cause="watchdog"),
        format_line("reset", node=name, cause="watchdog"),
        b"status crc=5 uptime=77 version=1.2\n",
    )
    evidence = who.evidence()
    assert evidence.findings == (f"{name} was reset 2 times (watchdog)",)
    status = evidence.figures["lines"]["status"]
    assert status == {"crc": 5, "uptime": 77, "version": "1.2"}


def test_what_cannot_be_read():
    """Lines for people, unknown words, keys and nodes are ignored, and told."""
    who = sighter([])
    hear(
        who,
        b"Hello, world\n",
        b"\xff\xfe\n",
        b"glowed node=1\n",
        b"shown node=1 hue=3\n",
        b"shown node=99\n",
        b"shown\n",
        b"shown node=1 clocks=many\n",
        b"\n",
    )
    assert len(who.seen(1).shown) == 1
    assert who.evidence().notes == (
        "ignored in sighting lines: glowed, shown hue, node 99, node None",
        "3 lines were heard that are no sighting lines",
    )


def test_a_flood_without_an_end():
    """A line that never ends is thrown away, and the one after it is read."""
    who = sighter([])
    for _ in range(40):
        hear(who, b"x" * (1 << 16))
    hear(who, b"\nshown node=1\n")
    assert len(who.seen(1).shown) == 1
    assert who.evidence().notes == ("1 lines were heard that are no sighting lines",)


LINES = b"".join(
    format_line("shown", node=1 + k % 4, octets=bytes([k] * k), shown=k) * 2
    for k in range(1, 10)
)


@given(st.lists(st.integers(0, len(LINES)), max_size=20))
def test_reads_do_not_matter(places):
    """However lines are cut into reads, the rows are the same."""
    whole, cut = sighter(["octets", "times"]), sighter(["octets", "times"])
    hear(whole, LINES)
    edges = [0, *sorted(places), len(LINES)]
    for a, b in pairwise(edges):
        hear(cut, LINES[a:b])
    expected, found = whole.seen(99), cut.seen(99)
    np.testing.assert_array_equal(found.shown, expected.shown)
    assert found.data.tobytes() == expected.data.tobytes()
    assert cut.evidence() == whole.evidence()


@pytest.mark.parametrize("by", ["simulated", "capture"])
def test_nobody_looks(by):
    """Where nothing sees the nodes, nothing is observable, and the trial is void."""
    who = sighter_of(load_profile("causeway", [f"observe.by={by}"]))
    who.heard(Heard(b"abc", 0), 0)
    assert not who.observes.shown
    assert not who.observes.data
    assert len(who.seen(5).shown) == 0
    (why,) = who.evidence().void
    assert "observable" in why
    assert ("observe.by" in why) == (by == "simulated")
    assert who.evidence().notes == ("3 octets were heard that nobody looked at",)


@pytest.mark.parametrize(
    ("first", "octets", "moved"),
    [
        (3_000, b"\x11\x22", 0),  # after the packet was over
        (1_200, b"\x11\x22", 600),  # a little before: the far clock began late
        (1_200, b"\x11\x23", 0),  # shows something else
    ],
)
def test_a_far_clock_that_began_late_blames_nobody(first, octets, moved):
    """What a burst holds says which packet was over before it, and how early it is."""
    who = sighter(["octets", "times"])
    who.sent(*columns(0, 0, b"\xa5", (700, 2_500), b"\x11\x22"))
    line = format_line(
        "shown", node="1", octets=octets, burst=first, first=first, shown=first + 500
    )
    hear(who, line)
    (row,) = who.seen(10_000).shown
    assert int(row["burst_ns"]) == 700 + first + moved
    assert int(row["shown_ns"]) == 700 + first + 500 + moved
    evidence = who.evidence()
    assert evidence.figures["lines"]["early_ns"] == moved
    assert bool(evidence.notes) == bool(moved)
