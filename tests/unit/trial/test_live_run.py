"""Trials over a live link on a clock that jumps: judged, lost, stopped, left safe."""

from __future__ import annotations

from typing import Any

import pytest
from unit.link.live.stub import MS, Stub, rest_until

import bench
from bench.base.clock import JumpClock
from bench.base.errors import ExitCode, LedgerError, LinkError
from bench.judge.verdict import Outcome as Says
from bench.link.evidence import Evidence
from bench.link.live import LiveLink, LiveRules
from bench.link.observes import EVERYTHING
from bench.node.link import SimulatedLink
from bench.profile.channels import level_payload
from bench.traffic.safe import safe_frame
from bench.traffic.schedule import Schedule
from bench.trial.plan import Plan
from bench.trial.runner import Tools, run
from bench.trial.slices import nothing_seen
from bench.trial.upset.link import in_one
from bench.wire.format import format_of
from bench.wire.packets import read

SIGTERM = 15

POINT = ("bus.baud=1 Mbaud", "traffic.frame_rate=5 Hz", "accept.skew=250 ms")


class Playing:
    """A sighter with simulated nodes in it: a far end that does all of it right."""

    observes = EVERYTHING

    def __init__(self, profile: Any, evidence: Evidence | None = None) -> None:
        self.nodes = SimulatedLink(profile, seed=1)
        self.coming: list[Any] = []
        self.found = evidence or Evidence()
        self.at = 0, 0

    def sent(self, line: Any, sent: Any) -> None:  # noqa: ARG002
        """See `Sighter`."""
        self.coming.append(self.nodes.carry(line))
        self.at = line.first + len(line.octets), line.until_ns

    def heard(self, heard: Any, at_ns: int) -> None:
        """See `Sighter`."""

    def seen(self, until_ns: int) -> Any:
        """See `Sighter`."""
        place, at_ns = self.at
        if until_ns > at_ns:
            self.at = place, until_ns
            self.coming.append(self.nodes.carry(rest_until(until_ns, place)))
        coming, self.coming = self.coming, []
        return in_one([*coming, nothing_seen(until_ns)])

    def evidence(self) -> Evidence:
        """See `Sighter`."""
        return self.found


class Kept:
    """Keeps records, or refuses to."""

    def __init__(self, most: int = 1 << 30) -> None:
        self.intervals: list[Any] = []
        self.most = most
        self.raised = False

    def interval(self, record: Any) -> None:
        """See `Records`."""
        self.raised = len(self.intervals) == self.most
        if self.raised:
            raise LedgerError("disk full")
        self.intervals.append(record)

    def anomaly(self, record: Any) -> None:
        """See `Records`."""

    def sync(self) -> None:
        """See `Records`."""

    def begun(self, folder: Any) -> None:
        """See `Watcher`."""

    def progress(self, progress: Any) -> None:
        """See `Watcher`."""


class Rig:
    """A trial over a stub."""

    def __init__(self, overrides: Any = POINT, name: str = "causeway", **plan: Any):
        self.clock = JumpClock()
        self.stub = Stub(self.clock)
        self.kept = Kept()
        self.signal_ns: int | None = None
        self.profile = bench.load_profile(name, overrides)
        self.plan = Plan(self.profile, 1, **(plan or {"packets": 12}))
        self.evidence: Evidence | None = None

    def stop(self) -> int | None:
        """A signal, once it is time."""
        late = self.signal_ns is not None and self.clock.now_ns() >= self.signal_ns
        return SIGTERM if late else None

    def run(self, **rules: Any) -> Any:
        """Run it."""
        sighter = Playing(self.profile, self.evidence)
        given = LiveRules(**{"listen_ns": 0, **rules})
        self.link = LiveLink(
            self.stub, self.profile.bus, sighter, self.clock, given, self.stop
        )
        with self.link:
            tools = Tools(self.clock, self.kept, self.kept, self.stop)
            return run(self.plan, self.link, tools)

    @property
    def line(self) -> bytes:
        """What the plan puts on the line."""
        schedule = Schedule(self.profile, seed=1, packets=self.plan.packets)
        return schedule.take(1 << 24)[0].octets.tobytes()

    @property
    def safe(self) -> bytes:
        """A frame at the safe level."""
        return safe_frame(self.profile, 0, 0).octets.tobytes()


def test_the_same_verdict_as_simulated():
    """Perfect nodes behind a live link: the figures of the simulated path, and PASS."""
    rig = Rig()
    outcome = rig.run()
    nobody = Kept()
    tools = Tools(JumpClock(), nobody, nobody, lambda: None)
    with SimulatedLink(rig.profile, seed=1) as link:
        direct = run(rig.plan, link, tools)
    figures = dict(outcome.verdict.figures)
    mine = figures.pop("link")
    assert figures == direct.verdict.figures
    assert "link" not in direct.verdict.figures
    assert outcome.verdict.outcome is Says.PASS
    assert outcome.characters == mine["counts"]["accepted"] == len(rig.line)
    assert rig.stub.octets == rig.line + rig.safe
    assert mine["safe_level"] == {"sent": True, "why": None}


def test_safe_level_is_what_packets_hold():
    """The frame at the end holds a packet for each node, with every channel safe."""
    overrides = (*POINT, "light.safe_level=15 %")
    profile = bench.load_profile("causeway", overrides)
    line = safe_frame(profile, 500, 7 * MS)
    assert (line.first, int(line.runs["start_ns"][0])) == (500, 7 * MS)
    form, size = format_of(profile.packet), 3848
    found = [
        read(form, line.octets[at : at + size].tobytes())
        for at in range(0, len(line.octets), size)
    ]
    assert [one.payload for one in found] == [
        level_payload(node, 0.15) for node in profile.node
    ]
    assert [one.address for one in found] == [1, 2, 3, 4]


@pytest.mark.parametrize("name", ["dmx512", "jetty", "slipway", "modbus-rtu"])
def test_every_profile_has_a_safe_frame(name):
    """Whatever the framing, what is shown on a sync, or shared."""
    profile = bench.load_profile(name)
    line = safe_frame(profile, 3, MS)
    assert line.until_ns > MS
    assert line.runs["start_ns"][0] >= MS
    assert len(line.octets) >= max(n.output.payload_octets for n in profile.node)


def test_lost_in_the_middle():
    """Judged over what was carried; void; nothing lost; not left safe, and said so."""
    rig = Rig()
    rig.stub.lost_ns = 300 * MS
    outcome = rig.run()
    assert outcome.lost is not None
    assert "unplugged" in outcome.lost
    verdict = outcome.verdict
    assert verdict.outcome is Says.VOID
    assert verdict.reason.startswith("link lost: stub (unplugged)")
    taken = len(rig.stub.octets)
    assert 0 < taken < len(rig.line)
    assert rig.stub.octets == rig.line[:taken]
    assert outcome.characters == verdict.figures["line"]["characters"] == taken
    assert verdict.figures["link"]["counts"]["accepted"] == taken
    assert verdict.figures["link"]["safe_level"]["sent"] is False
    assert "the safe level was not sent: the link is lost; " in " ".join(verdict.notes)
    assert sum(record["characters"] for record in rig.kept.intervals) == taken
    told = sum(record["link"]["accepted"] for record in rig.kept.intervals)
    assert told == taken
    assert verdict.figures["packets"]["lost"] == 0


def test_lost_among_stragglers():
    """Lost when all was sent: judged, void, and still a lost link."""
    rig = Rig()
    rig.stub.lost_ns = 1_500 * MS
    outcome = rig.run()
    assert rig.stub.octets == rig.line
    assert outcome.lost is not None
    assert outcome.verdict.outcome is Says.VOID


def test_refused_before_anything():
    """A bus that is not quiet: no verdict at all, since nothing was sent."""
    rig = Rig()
    rig.stub.coming.append((1, b"x"))
    with pytest.raises(LinkError, match="not quiet") as error:
        rig.run(listen_ns=50 * MS)
    assert error.value.exit_code == ExitCode.LINK
    assert rig.stub.took == []


@pytest.mark.parametrize("at_ms", [70, 250, 1_000, 2_399])
def test_stopped(at_ms):
    """A signal: the packet under way to its end, the safe level, in under a second."""
    rig = Rig(packets=60)
    rig.signal_ns = at_ms * MS
    outcome = rig.run()
    assert outcome.signal == SIGTERM
    assert rig.clock.now_ns() - rig.signal_ns < 1_000 * MS
    sent, safe = outcome.characters, rig.safe
    assert rig.stub.octets == rig.line[:sent] + safe
    assert outcome.verdict.figures["packets"]["lost"] == 0
    assert outcome.verdict.outcome is Says.PASS
    assert outcome.verdict.figures["link"]["safe_level"]["sent"]
    assert sum(record["characters"] for record in rig.kept.intervals) == sent


def test_slow_rests_look_at_stop():
    """Between two packets that lie far apart a signal is seen within a moment."""
    rig = Rig(
        (
            "bus.baud=4 Mbaud",
            "traffic.frame_rate=1 Hz",
            "traffic.pacing=timed",
            "traffic.foreign.share=0 %",
        ),
        packets=40,
    )
    rig.signal_ns = 3_400 * MS
    outcome = rig.run()
    assert outcome.signal == SIGTERM
    assert rig.clock.now_ns() - rig.signal_ns < 500 * MS
    assert outcome.verdict.figures["link"]["writes"]["lateness_ns"]["max"] == 0


def test_broken_ledger_leaves_lights_safe():
    """A trial that ends by an error of its own is left safe all the same."""
    rig = Rig(packets=400)
    rig.kept.most = 0
    with pytest.raises(LedgerError) as error:
        rig.run()
    assert rig.stub.octets.endswith(rig.safe)
    assert not getattr(error.value, "__notes__", ())


def test_unsafe_error_says_so():
    """Where that cannot be, the error says it."""
    rig = Rig(packets=400)
    rig.kept.most = 0
    write = rig.stub.write

    def full(octets: memoryview) -> int:
        return 0 if rig.kept.raised else write(octets)

    rig.stub.write = full  # type: ignore[method-assign]
    with pytest.raises(LedgerError) as error:
        rig.run(refuse_ns=100 * MS)
    (note,) = error.value.__notes__
    assert note.startswith("the safe level was not sent: peer not reading")


def test_findings_fail_even_a_void_trial():
    """What no late host can have caused fails; void stands beside it."""
    rig = Rig()
    rig.evidence = Evidence({"answers": 3}, ("answered for 9",), ("void too",), ("n",))
    verdict = rig.run().verdict
    assert verdict.outcome is Says.FAIL
    assert verdict.reason == "answered for 9"
    assert verdict.void == ("void too",)
    assert verdict.figures["link"]["answers"] == 3
    assert "n" in verdict.as_dict()["notes"]


def test_dry_queue_is_void_and_hides_no_fault():
    """A late host makes a trial void: loss says nothing, and says why."""
    rig = Rig(packets=12)
    wait, told = rig.stub.wait, []

    def stalled(seconds: float, *, room: bool) -> None:
        wait(seconds, room=room)
        if not told and rig.clock.now_ns() > 500 * MS:
            told.append(rig.clock.now_ns())
            rig.clock.advance(200 * MS)

    rig.stub.wait = stalled  # type: ignore[method-assign]
    outcome = rig.run()
    assert outcome.verdict.outcome is Says.VOID
    assert outcome.verdict.reason.startswith("the queue of the link ran dry: once")
    assert rig.stub.octets == rig.line + rig.safe
    assert any(record["link"]["queue_dry"] == 1 for record in rig.kept.intervals)
