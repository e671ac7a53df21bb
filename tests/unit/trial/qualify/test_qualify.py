"""What is said of a rig is what was built into a stub of one."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from unit.trial.qualify.adapters import CoarseClock, StubAdapter

from bench.api_qualify import known_rig
from bench.api_qualify import qualify as from_python
from bench.base.clock import JumpClock
from bench.base.errors import LinkError
from bench.trial.bare import bare_profile
from bench.trial.qualify.rules import QualifyRules
from bench.trial.qualify.run import Rig, qualify

MS = 1_000_000
BUS = bare_profile(["bus.baud=1 Mbaud"]).bus
SHORT = QualifyRules(flow_ns=500 * MS, writes=200)


def qualified(adapter, rules=SHORT, stop=lambda: None, ear=None):
    """The outcome for one adapter."""
    rig = Rig(adapter, ear or adapter, BUS)
    return qualify(rig, adapter.clock, stop, lambda _: None, rules)


def test_a_sound_adapter():
    """All comes back, at the adapter's own baud, within what is stated."""
    outcome = qualified(StubAdapter(JumpClock(), baud=998_400))
    assert outcome.verdict == "PASS"
    flow = outcome.figures["flow"]
    assert flow["same"] == flow["accepted"] == flow["octets"] == 50_000
    baud = outcome.figures["baud"]
    assert abs(baud["baud"] - 998_400) <= max(baud["plus_minus"], 20)
    assert baud["plus_minus"] < 0.005 * 998_400
    assert flow["idle_share"] + flow["uncertainty"] < 0.01
    assert any("-0.16 %" in text for text in outcome.says)
    # Its queue holds 2048 octets and what is on the line: so much is under way.
    assert 2048 <= flow["ahead"] <= 2050


def test_a_latency_timer_is_found_and_is_the_adapters():
    """Case A11's adapter: 16 ms from the data alone, whatever the pauses were."""
    outcome = qualified(StubAdapter(JumpClock(), timer_ns=16 * MS))
    beat = outcome.figures["round_trips"]["beat"]
    assert abs(beat["ns"] - 16 * MS) <= 0.1 * MS
    assert beat["of"] == "adapter"
    assert outcome.figures["round_trips"]["ns"]["max"] <= 16.2 * MS
    assert any("every 16 ms (its latency timer)" in text for text in outcome.says)


def test_no_beat_where_there_is_none():
    """A prompt adapter has none."""
    outcome = qualified(StubAdapter(JumpClock()))
    assert outcome.figures["round_trips"]["beat"] is None
    assert outcome.figures["round_trips"]["ns"]["p50"] == pytest.approx(40_000, abs=100)


def test_a_coarse_sleep_is_not_the_adapters():
    """Answers come at once, and only the host's sleep has a beat of 15.625 ms."""
    adapter = StubAdapter(CoarseClock(15_625_000))
    # A wait for octets is woken by them, whatever sleep can do.
    clock = adapter.clock

    def wait(seconds, *, room):
        now = clock.t
        until = now + seconds * 1e9
        if adapter._coming:
            until = min(until, adapter._coming[0][0])
        if room and adapter._leaving:
            until = min(until, adapter._leaving[0])
        clock.t = max(now + 1, round(until) + 1)

    adapter.wait = wait
    outcome = qualified(adapter)
    beat = outcome.figures["round_trips"]["beat"]
    assert beat is not None
    assert abs(beat["ns"] - 15_625_000) < 0.1 * MS
    assert beat["of"] == "host"


def test_case_a12():
    """1000 write calls, 1 ms apart, by a clock that wakes every 15.625 ms: not kept."""
    rules = replace(SHORT, writes=1000, pings=0, flow_ns=10 * MS)
    clock = CoarseClock(15_625_000)
    outcome = qualified(StubAdapter(clock, room=5000), rules)
    calls = outcome.figures["write_calls"]
    assert calls["writes"] == 1000
    assert calls["spent_ns"] == pytest.approx(1_000 * MS, abs=16 * MS)
    assert calls["largest_burst"] == 16
    assert calls["late_ns"]["max"] <= 15.7 * MS
    assert not calls["kept"]
    assert any("spacing not kept" in text for text in outcome.says)
    bare = calls["bare"]  # 15.6 times too slow, and bounded
    assert bare["writes"] <= 65


@pytest.mark.parametrize(
    ("harm", "word"),
    [
        (lambda at, octet: b"" if at == 20_000 else bytes([octet]), "1 lost"),
        (lambda at, octet: bytes([octet ^ (at == 20_000)]), "1 changed"),
        (lambda at, octet: bytes([octet]) * (1 + (at == 20_000)), "1 added"),
    ],
)
def test_an_adapter_that_harms_octets(harm, word):
    """One of fifty thousand is enough to fail it, and is counted as what it is."""
    outcome = qualified(StubAdapter(JumpClock(), harm=harm))
    assert outcome.verdict == "FAIL"
    assert word in outcome.reason


def test_an_adapter_that_rests():
    """Rests of a tenth of the time are seen, within what is stated to be unseen."""
    # 10 000 octets take 100 ms; then 40 ms of rest, as between slow transfers.
    adapter = StubAdapter(JumpClock(), rest=(10_000, 40 * MS))
    flow = qualified(adapter).figures["flow"]
    # Of 50 000 octets: 500 ms, and four or five rests inside.
    assert 0.15 <= flow["idle_share"] <= 0.35


def test_without_a_plug_nothing_is_claimed():
    """Void, and what needs an echo is None, not zero."""
    outcome = qualified(StubAdapter(JumpClock(), plugged=False))
    assert outcome.verdict == "VOID"
    assert "--ear" in outcome.reason
    assert outcome.figures["round_trips"] is None
    assert outcome.figures["flow"]["heard"] is None
    assert outcome.figures["flow"]["accepted"] == 50_000
    assert outcome.figures["baud"] is None
    assert outcome.figures["write_calls"]["writes"] == 200


def test_garbled_echo_is_a_fault_of_the_settings():
    """What comes back is told as it came; no flood is sent after it."""
    adapter = StubAdapter(JumpClock(), harm=lambda _, octet: bytes([octet ^ 0x80]))
    outcome = qualified(adapter)
    assert outcome.verdict == "FAIL"
    assert "D580" in outcome.reason
    assert outcome.figures["flow"] is None


def test_a_line_that_is_not_quiet_is_refused():
    """Somebody else sends: nothing is transmitted at all."""
    adapter = StubAdapter(JumpClock(1), noise=b"left over from before")
    chatter = iter([b"", b"", b"", b"\x55"])
    real = adapter.read

    def read():
        heard = real()
        adapter.noise = next(chatter, b"")
        return heard

    adapter.read = read
    with pytest.raises(LinkError, match="not quiet"):
        qualified(adapter)
    assert adapter.written == 0


def test_a_link_that_is_lost_keeps_what_was_measured():
    """The echo was there; the loss is the verdict."""
    adapter = StubAdapter(JumpClock(), lost_at_ns=1_500 * MS)
    outcome = qualified(adapter)
    assert outcome.verdict == "FAIL"
    assert "link lost" in outcome.reason
    assert outcome.lost is not None
    assert outcome.figures["echo"]["comes_back"]


def test_it_can_be_stopped_anywhere():
    """A signal ends it within a slice, and what was measured is told."""
    clock = JumpClock()
    adapter = StubAdapter(clock)
    outcome = qualified(adapter, stop=lambda: 2 if clock.now_ns() > 800 * MS else None)
    assert outcome.signal == 2
    assert clock.now_ns() < 1_000 * MS
    assert outcome.figures["echo"]["comes_back"]


def test_it_is_bounded_whatever_the_link_does():
    """Nothing accepted, nothing heard: over in bounded time, with that verdict."""
    clock = JumpClock()
    adapter = StubAdapter(clock, room=0)
    outcome = qualified(adapter, QualifyRules())
    assert outcome.verdict == "VOID"
    assert clock.now_ns() < 20_000 * MS


def test_a_second_port_hears_the_line():
    """What the ear hears counts, and the sender's own echo does not fill up."""
    clock = JumpClock()
    out = StubAdapter(clock)
    ear = StubAdapter(clock, name="ear")
    ear._coming = out._coming
    out.read = lambda: None
    outcome = qualified(out, ear=ear)
    assert outcome.verdict == "PASS"


def test_what_is_known_of_a_rig_is_kept(tmp_path):
    """The ledger holds all of it, and later verdicts find the short of it by name."""
    assert known_rig("stub", tmp_path) is None
    clock = JumpClock()
    result = from_python(
        StubAdapter(clock, timer_ns=16 * MS), logs=tmp_path, clock=clock
    )
    assert result.verdict == "PASS"
    assert result.exit_code == 0
    known = known_rig("stub", tmp_path)
    assert known["link"] == "stub"
    assert known["run"] == result.run.name
    assert known["beat"]["of"] == "adapter"
    assert known["says"] == list(result.says)
    stored = json.loads((result.run / "verdict.json").read_text())
    assert stored["flow"] == result.figures["flow"]
    report = (result.run / "report.txt").read_text()
    assert "its latency timer" in report
    assert known_rig("Stub", tmp_path) is None


def test_a_rig_that_failed_is_not_known(tmp_path):
    """What failed says nothing to be quoted, and leaves what was known."""
    clock = JumpClock()
    result = from_python(StubAdapter(clock, plugged=False), logs=tmp_path, clock=clock)
    assert result.exit_code == 4
    assert known_rig("stub", tmp_path) is None
