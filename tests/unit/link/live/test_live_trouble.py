"""A live link in trouble: no room, nobody reads, unplugged, told to stop."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from unit.link.live.stub import (
    CHARACTER_NS,
    MS,
    Stub,
    counter,
    figures_of,
    line_of,
    link_over,
    rest_until,
)

from bench.base.clock import JumpClock
from bench.link.cut_off import CutOffError
from bench.link.lines import format_line
from bench.link.sight import sighter_of
from bench.link.transport import Can
from bench.profile import load_profile

SIGTERM = 15


def test_nobody_reads_for_two_seconds():
    """Exact counts while stalled, one event, nothing lost or sent twice, void.

    Known values: 11,776 octets fit; 100,000 of a counting pattern arrive once each.
    """
    clock = JumpClock()
    stub = Stub(clock)
    stub.room, stub.opens_ns = 11_776, 2_200 * MS
    seen = []

    with link_over(stub, lead_ns=20 * MS, piece_ns=2 * MS) as link:
        wait = stub.wait

        def watched(seconds, *, room):
            wait(seconds, room=room)
            if room:
                seen.append((link.counts["accepted"], len(stub.octets)))

        stub.wait = watched
        octets, at = counter(100_000), 0
        for at in range(0, 100_000, 2000):
            line = line_of(octets[at : at + 2000], [(0, at * CHARACTER_NS)], first=at)
            link.carry(line)
        evidence = link.evidence()
    assert stub.octets == octets
    assert seen
    assert all(told == taken == 11_776 for told, taken in seen)
    figures = figures_of(evidence)
    assert figures["counts"]["offered"] == figures["counts"]["accepted"] == 100_000
    assert figures["back_pressure"]["times"] == 1
    assert figures["queue_dry"]["times"] == 1
    stalled_ns = figures["back_pressure"]["ns"]
    assert 1_900 * MS < stalled_ns < 2_200 * MS
    text = "took nothing for longer than the lead: once"
    assert any(text in reason for reason in evidence.void)
    # No flood after it: the rest takes the time that the line dictates.
    after = [at for at in stub.times if at > 2_200 * MS]
    assert after[-1] - after[0] > (len(after) - 4200) * CHARACTER_NS


def test_room_for_a_part_is_no_event():
    """A driver whose buffer is shorter than the lead holds nothing up."""
    clock = JumpClock()
    stub = Stub(clock)

    def wait(seconds, *, room):
        clock.advance(round(seconds * 1e9) if not room else MS)
        stub.room = 100  # what the line takes away in a millisecond

    stub.room, stub.wait = 1000, wait
    with link_over(stub, lead_ns=20 * MS) as link:
        link.carry(line_of(counter(4000), [(0, 0)]))
        figures = figures_of(link.evidence())
    assert stub.octets == counter(4000)
    assert figures["counts"]["back_pressure"] == 0
    assert figures["counts"]["queue_dry"] == 0


def test_peer_that_never_reads():
    """Refused after a bounded time, with what was accepted; the rest is not."""
    stub = Stub(clock := JumpClock())
    stub.room = 300
    with link_over(stub, refuse_ns=3000 * MS) as link:
        with pytest.raises(CutOffError, match="peer not reading: nothing taken") as cut:
            link.carry(line_of(counter(1000), [(0, 0)]))
        assert 3000 * MS <= clock.now_ns() <= 3100 * MS
        assert cut.value.octets == 300
        assert "300 of 1000 before" in str(cut.value)
        evidence = link.evidence()
    assert figures_of(evidence)["counts"]["accepted"] == 300
    assert figures_of(evidence)["lost"]["cause"].startswith("peer not reading")


def test_stop_while_nobody_reads():
    """A request to stop is obeyed at once, long before the bound."""
    clock = JumpClock()
    stub = Stub(clock)
    stub.room = 300
    told = lambda: SIGTERM if clock.now_ns() > 500 * MS else None  # noqa: E731
    with link_over(stub, stop=told) as link:
        with pytest.raises(CutOffError) as cut:
            link.carry(line_of(counter(1000), [(0, 0)]))
        assert clock.now_ns() < 600 * MS
    assert cut.value.octets == 300


def test_one_loss_is_one_event():
    """Unplugged: the first cause, once, with what was carried and its instant."""
    clock = JumpClock()
    stub = Stub(clock)
    stub.lost_ns = 50 * MS
    with link_over(stub, lead_ns=10 * MS, piece_ns=MS) as link:
        with pytest.raises(CutOffError, match=r"link lost: stub \(unplugged\)") as cut:
            link.carry(line_of(counter(20_000), [(0, 0)]))
        assert clock.now_ns() <= 51 * MS
        for _ in range(3):
            with pytest.raises(CutOffError, match="unplugged"):
                link.carry(rest_until(400 * MS))
        evidence = link.evidence()
    assert cut.value.octets == len(stub.octets)
    assert cut.value.seen is not None
    assert stub.octets == counter(20_000)[: cut.value.octets]
    assert figures_of(evidence)["lost"] == {
        "cause": "link lost: stub (unplugged)",
        "at_ns": 40 * MS,
    }
    assert evidence.void[0] == "link lost: stub (unplugged), 40 ms into the trial"


def test_lost_while_waiting():
    """A loss is noticed while nothing is sent, too, within a fifth of a second."""
    clock = JumpClock()
    stub = Stub(clock)
    with link_over(stub) as link:
        link.carry(line_of(counter(10), [(0, 0)]))
        stub.lost_ns = 5_000 * MS
        with pytest.raises(CutOffError):
            link.carry(rest_until(10_000 * MS))
        assert clock.now_ns() - stub.lost_ns < 200 * MS


def test_back_again():
    """Asked to, it waits; the plan moves by the outage, and the trial is void."""
    clock = JumpClock()
    stub = Stub(clock)
    stub.lost_ns, stub.back_ns = 50 * MS, 1_050 * MS
    rules = {"lead_ns": 10 * MS, "piece_ns": MS, "reopen_ns": 5_000 * MS}
    with link_over(stub, **rules) as link:
        link.carry(line_of(counter(20_000), [(0, 0)]))
        evidence = link.evidence()
    assert stub.octets == counter(20_000)
    figures = figures_of(evidence)
    assert figures["outages"]["times"] == 1
    assert 1_000 * MS <= figures["outages"]["ns"] < 1_200 * MS
    assert figures["lost"] is None
    assert figures["counts"]["queue_dry"] == 0
    assert any("lost and came back: once" in text for text in evidence.void)
    after = [at for at in stub.times if at > 1_000 * MS]
    assert after[-1] - after[0] > (len(after) - 1200) * CHARACTER_NS


class Telling(Stub):
    """A far program that tells of every piece when it came, on a clock of its own."""

    def __init__(self, clock):
        super().__init__(clock)
        self.began_ns = None
        self.pieces = []

    def write(self, octets):
        """See `Transport`."""
        accepted = super().write(octets)
        if accepted:
            now_ns = self.clock.now_ns()
            self.began_ns = now_ns if self.began_ns is None else self.began_ns
            self.pieces.append(len(self.octets) - accepted)
            line = format_line("shown", node=1, shown=now_ns - self.began_ns)
            self.coming.append((now_ns, line))
        return accepted

    def reopen(self, seconds):
        """See `Transport`: another program, or the same for another visitor."""
        back = super().reopen(seconds)
        if back:
            self.began_ns = None
        return back


@pytest.mark.parametrize("trouble", ["none", "away", "unplugged"])
def test_a_far_clock_goes_on_while_the_plan_stands_still(trouble):
    """What a far program tells is on the trial's time, whatever the host did.

    A stall moves the plan and not the program; after an outage its clock begins anew.
    """
    profile = load_profile(
        "causeway", ["observe.by=lines", 'observe.lines.tells=["times"]']
    )
    clock = JumpClock()
    stub = Telling(clock)
    if trouble == "unplugged":
        stub.lost_ns, stub.back_ns = 70 * MS, 1_050 * MS
    sighter = sighter_of(profile)
    rules = {"lead_ns": 4 * MS, "piece_ns": 2 * MS, "reopen_ns": 5_000 * MS}
    with link_over(stub, sighter=sighter, **rules) as link:
        seen = [link.carry(line_of(counter(10_000), [(0, 0)]))]
        if trouble == "away":
            clock.advance(500 * MS)
        line = line_of(counter(10_000), [(0, 100 * MS)], first=10_000)
        seen.append(link.carry(line))
        seen.append(link.carry(rest_until(400 * MS, 20_000)))
        moved_ns = figures_of(link.evidence())["pacing"]["moved_ns"]
    assert (moved_ns > 400 * MS) == (trouble != "none")
    told = [int(row["shown_ns"]) for part in seen for row in part.shown]
    assert len(told) == len(stub.pieces) > 50
    for at_ns, first in zip(told, stub.pieces, strict=True):
        # A piece is handed over up to a lead, and one piece, before its start bit.
        assert -6 * MS <= at_ns - first * CHARACTER_NS <= MS


@pytest.mark.parametrize("stops", [False, True])
def test_never_back(stops):
    """Waiting for a lost link is bounded, and ends at a request to stop."""
    clock = JumpClock()
    stub = Stub(clock)
    stub.lost_ns = 50 * MS
    told = lambda: SIGTERM if stops and clock.now_ns() > 400 * MS else None  # noqa: E731
    link = link_over(stub, reopen_ns=2_000 * MS, stop=told)
    with link, pytest.raises(CutOffError, match="unplugged"):
        link.carry(line_of(counter(20_000), [(0, 0)]))
    assert clock.now_ns() <= (600 if stops else 2_100) * MS


class Paced(Stub):
    """A port whose adapter keeps a bit rate of its own."""

    def __init__(self, clock, faster):
        super().__init__(clock, Can(keeps_baud=True, tells_unsent=True))
        self.rate = (1 + faster) / CHARACTER_NS
        self.left, self.at_ns = 0.0, 0
        self.idle_ns = 0.0

    def unsent(self):
        """See `Transport`."""
        now_ns = self.clock.now_ns()
        gone = (now_ns - self.at_ns) * self.rate
        if self.took and gone > self.left:
            self.idle_ns += (gone - self.left) / self.rate
        self.left, self.at_ns = max(0.0, self.left - gone), now_ns
        return int(self.left)

    def write(self, octets):
        """See `Transport`."""
        self.unsent()
        count = super().write(octets)
        self.left += count
        return count


@given(st.floats(-0.02, 0.02))
def test_follows_the_adapters_own_rate(faster):
    """An adapter whose clock is off by up to 2 % is neither starved nor flooded."""
    stub = Paced(JumpClock(), faster)
    with link_over(stub, lead_ns=20 * MS) as link:
        for at in range(0, 400_000, 2000):
            line = line_of(bytes(2000), [(0, at * CHARACTER_NS)], first=at)
            link.carry(line)
        assert stub.unsent() <= 3000
        figures = figures_of(link.evidence())
    assert stub.idle_ns == 0
    assert figures["counts"]["queue_dry"] == 0
    assert figures["counts"]["confirmed"] <= 400_000
    # Four seconds at 2 % are 80 ms, of which 20 may not have been followed yet.
    drift_ns = 4_000 * MS * (1 / (1 + faster) - 1)
    assert abs(figures["pacing"]["drift_ns"] - drift_ns) <= 4 * MS


def test_empty_before_it_had_to_be():
    """A driver that says it is empty while it should not be: dry, length unknown."""
    stub = Stub(JumpClock(), Can(keeps_baud=True, tells_unsent=True))
    stub.queued = 0
    with link_over(stub) as link:
        link.carry(line_of(counter(4000), [(0, 0)]))
        evidence = link.evidence()
    assert figures_of(evidence)["queue_dry"]["times"] > 0
    assert any("ran dry" in text for text in evidence.void)
