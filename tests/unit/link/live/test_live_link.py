"""A live link on a stub and a clock that jumps: what is handed over, and when."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest
from unit.link.live.stub import (
    CHARACTER_NS,
    MS,
    Stub,
    counter,
    figures_of,
    line_of,
    link_over,
    packets,
    rest_until,
)

from bench.base.clock import JumpClock
from bench.base.columns import Flaw
from bench.base.errors import LinkError
from bench.link.cut_off import CutOffError
from bench.link.transport import Can

COARSE = Path(__file__).parents[3] / "cases" / "A12_coarse_clock.py"


def coarse_clock() -> Any:
    """A clock whose sleep wakes on a grid of 15.625 ms only."""
    spec = importlib.util.spec_from_file_location("coarse_clock", COARSE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.CoarseClock()


def test_trial_begins_a_lead_after_the_first_call():
    """The first character is written when it is due; nothing earlier than its lead."""
    clock = JumpClock(1000)
    stub = Stub(clock)
    with link_over(stub, lead_ns=20 * MS, piece_ns=2 * MS) as link:
        link.carry(line_of(counter(6000), [(0, 0)]))
        begun_ns = 1000 + 20 * MS
        assert stub.times[0] == begun_ns
        for k, at in enumerate(stub.times):
            assert at >= begun_ns + max(0, k * CHARACTER_NS - 22 * MS)
            assert at <= begun_ns + max(0, k * CHARACTER_NS - 20 * MS)
        pacing = figures_of(link.evidence())["pacing"]
    assert stub.octets == counter(6000)
    assert pacing["lead_ns"] == 20 * MS
    assert pacing["least_lead_ns"] == 20 * MS
    assert pacing["moved_ns"] == 0
    assert link.evidence().void == ("nobody looks",)


def test_coarse_clock_timed():
    """A timer that wakes each 15.625 ms: the known values, through the whole link.

    1000 packets at 1 ms take 1.000 s of its time, 16 at once, 15.5 ms late at worst,
    and "spacing not kept" makes the trial void.
    """
    clock = coarse_clock()
    stub = Stub(clock)
    with link_over(stub, pacing="timed", lead_ns=0) as link:
        octets, at = counter(5000), 0
        while at < 1000:
            runs = [(5 * k, (at + k) * MS) for k in range(50)]
            part = octets[5 * at : 5 * (at + 50)]
            link.carry(line_of(part, runs, first=5 * at))
            at += 50
        assert clock.now_ns() == 1_000_000_000
        evidence = link.evidence()
    assert stub.octets == octets
    writes = figures_of(evidence)["writes"]
    assert writes["runs"] == 1000
    assert writes["largest_burst"] == 16
    assert writes["lateness_ns"]["max"] == 15_500_000
    assert evidence.void[0].startswith("spacing not kept: ")


def test_coarse_clock_packed():
    """The same timer with a lead of 20 ms: the queue never runs dry."""
    stub = Stub(coarse_clock())
    with link_over(stub, lead_ns=20 * MS, piece_ns=MS) as link:
        link.carry(line_of(counter(100_000), [(0, 0)]))
        figures = figures_of(link.evidence())
    assert stub.octets == counter(100_000)
    assert figures["counts"]["queue_dry"] == 0
    assert figures["pacing"]["least_lead_ns"] >= 4 * MS
    assert figures["writes"]["piece_lateness_ns"]["max"] > 10 * MS


@pytest.mark.parametrize("pacing", ["packed", "flood"])
def test_late_host(pacing):
    """A host that is away for longer than the lead: dry, the plan moves, no flood."""
    clock = JumpClock()
    stub = Stub(clock)
    with link_over(stub, pacing=pacing, lead_ns=20 * MS, piece_ns=2 * MS) as link:
        link.carry(line_of(counter(5000), [(0, 0)], until_ns=50 * MS))
        clock.advance(100 * MS)  # 50 ms were queued up to 50 ms of the plan
        link.carry(line_of(counter(5000), [(0, 50 * MS)], first=5000))
        evidence = link.evidence()
    late_ns = figures_of(evidence)["queue_dry"]["ns"]
    assert figures_of(evidence)["queue_dry"]["times"] == 1
    assert 75 * MS < late_ns <= 80 * MS
    assert figures_of(evidence)["counts"]["moved_ns"] == late_ns
    # The next piece comes a lead before it is due on the plan as it is now.
    zero_ns = 20 * MS
    for k in range(5000, 10_000):
        due_ns = zero_ns + late_ns + k * CHARACTER_NS
        assert stub.times[k] >= due_ns - 22 * MS
    assert any("queue of the link ran dry: once" in text for text in evidence.void)


def test_timed_short_rest_keeps_its_silence():
    """A late packet does not push the next one into its silence."""
    clock = JumpClock()
    stub = Stub(clock)
    rules = {"pacing": "timed", "lead_ns": 0, "silence_ns": 2 * MS}
    with link_over(stub, **rules) as link:
        link.carry(line_of(counter(100), [(0, 0)]))
        clock.advance(9 * MS)
        link.carry(line_of(counter(200), [(0, 5 * MS), (100, 10 * MS)], first=100))
    first, second = stub.times[100], stub.times[200]
    assert second - first == 100 * CHARACTER_NS + 2 * MS


def test_listens_all_the_time():
    """What comes back is handed on at once, with its instant of the trial."""
    clock = JumpClock()
    stub = Stub(clock)
    heard: list[tuple[bytes, int]] = []

    class Sighter:
        observes = None

        def sent(self, line, sent):
            pass

        def heard(self, heard_, at_ns):
            heard.append((heard_.octets, at_ns))

        def seen(self, until_ns):
            return until_ns

    with link_over(stub, sighter=Sighter(), lead_ns=5 * MS) as link:
        stub.coming.extend([(8 * MS, b"ab"), (40 * MS, b"c"), (900 * MS, b"d")])
        link.carry(line_of(counter(2000), [(0, 0)]))
        assert heard == [(b"ab", 3 * MS)]
        assert link.carry(rest_until(1000 * MS)) == 1000 * MS
    assert heard == [(b"ab", 3 * MS), (b"c", 35 * MS), (b"d", 895 * MS)]


def test_bus_that_is_not_quiet_is_refused():
    """Nothing is sent on a bus on which something was heard, and what, is said."""
    clock = JumpClock()
    stub = Stub(clock)
    stub.coming.append((30 * MS, b"\x5a\x01"))
    with link_over(stub, listen_ns=100 * MS) as link:
        with pytest.raises(LinkError, match=r"not quiet: 2 octets, 5A 01 …, expected"):
            link.carry(line_of(counter(10), [(0, 0)]))
        assert stub.took == []
        with pytest.raises(LinkError, match="not quiet"):
            link.carry(line_of(counter(10), [(0, 0)]))
    assert stub.closed


@pytest.mark.parametrize(
    ("kind", "what"),
    [
        (Flaw.BREAK, "cannot send breaks"),
        (Flaw.ADDRESS, "whose ninth bit is set"),
        (Flaw.FRAMING, "without a stop bit"),
    ],
)
def test_what_it_cannot_send_is_refused(kind, what):
    """Before anything is sent, in one line."""
    stub = Stub(JumpClock())
    line = line_of(counter(9), [(0, 0)], flaws=[(5, 100, kind)])
    with link_over(stub) as link, pytest.raises(LinkError, match=what):
        link.carry(line)
    assert stub.took == []


def test_breaks():
    """Held low when due, measured, and nothing is queued behind one."""
    clock = JumpClock()
    stub = Stub(clock, Can(breaks=True))
    line = line_of(
        counter(11),
        [(0, 0), (1, MS)],
        flaws=[(0, 200_000, Flaw.BREAK)],
        until_ns=2 * MS,
    )
    with link_over(stub, lead_ns=5 * MS) as link:
        link.carry(line)
        figures = figures_of(link.evidence())
    assert stub.breaks == [200_000]
    assert figures["breaks"] == {"count": 1, "least_ns": 230_000, "most_ns": 230_000}
    assert stub.times[1:] == [6 * MS] * 10
    assert figures["counts"]["accepted"] == 11


def test_marked_characters():
    """Each by itself, as a character whose ninth bit is set."""
    stub = Stub(JumpClock(), Can(ninth_bit=True))
    line = line_of(b"\x07abc", [(0, 0)], flaws=[(0, 0, Flaw.ADDRESS)])
    with link_over(stub) as link:
        link.carry(line)
    assert stub.marked == [(7, Flaw.ADDRESS)]
    assert stub.octets == b"\x07abc"


def test_datagrams():
    """One packet a write, at its last bit; pads are left out and said to be."""
    stub = Stub(JumpClock(), Can(keeps_packets=True))
    octets = counter(50)
    line = line_of(octets, [(0, 0)])
    spans = packets((10, 10, 200_000), (20, 20, 400_000))
    with link_over(stub, lead_ns=MS) as link:
        link.carry(line, spans)
        evidence = link.evidence()
    assert stub.took == [
        (octets[10:20], MS + 200_000),
        (octets[20:40], MS + 400_000),
    ]
    assert figures_of(evidence)["left_out"] == 10
    assert evidence.notes == ("10 pads go into no datagram, and were not sent",)


def test_chunks_are_short():
    """About 20 ms of line; a few characters on the slowest."""
    assert link_over(Stub(JumpClock())).most_octets == 2000
    assert link_over(Stub(JumpClock()), baud=300).most_octets == 4


def test_closed_is_no_loss():
    """After its end a link carries nothing, and closing again does nothing."""
    stub = Stub(JumpClock())
    link = link_over(stub)
    link.carry(line_of(counter(10), [(0, 0)]))
    link.close()
    link.close()
    with pytest.raises(CutOffError, match="link closed"):
        link.carry(rest_until(1))
    assert figures_of(link.evidence())["lost"] is None
