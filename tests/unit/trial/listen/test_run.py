"""Listening to a transport: nothing is ever written, and every end is in order."""

from __future__ import annotations

import json

import pytest
from unit.traffic.profiles import small
from unit.trial.listen.reads import reads_of, sent_by
from unit.trial.upset.tries import Nobody

from bench.api_listen import listen, played_back
from bench.base.clock import JumpClock
from bench.base.errors import Fault, LedgerError, LinkError, UsageError
from bench.link.transport import Can, Told
from bench.trial.listen.run import Ears
from bench.trial.listen.run import listen as hear

MS = 1_000_000


class Script:
    """A transport that only reads: what was laid down, at its instants.

    Attributes:
        lost_at_ns: When it is pulled out.
        calls: Names of all that was called beside reading and waiting.
    """

    name = "script"
    can = Can(tells_flaws=True)

    def __init__(self, clock, reads, lost_at_ns=None, counts=None):
        self.clock = clock
        self.reads = list(reads)
        self.lost_at_ns = lost_at_ns
        self.calls = []
        self.counts = counts or {}

    def read(self):
        """The next read, if its instant has come."""
        now = self.clock.now_ns()
        if self.lost_at_ns is not None and now >= self.lost_at_ns:
            raise LinkError(Fault("link lost", "script"))
        if self.reads and self.reads[0].at_ns <= now:
            return self.reads.pop(0)
        return None

    def wait(self, seconds, *, room):
        """Up to the next read."""
        assert room is False
        ns = round(seconds * 1e9)
        if self.reads:
            ns = min(ns, max(1, self.reads[0].at_ns - self.clock.now_ns()))
        self.clock.advance(max(1, ns))

    def told(self):
        """Facts and counts."""
        return Told({"kind": "script"}, self.counts)

    def close(self):
        """Noted."""
        self.calls.append("close")

    def __getattr__(self, name):
        """Anything else must not be touched: `write` and `hold_low` above all."""
        raise AssertionError(f"{name} was called")


def outcome_of(profile, reads, duration_ns=None, **more):
    """Listen to some reads on a clock that jumps."""
    clock = JumpClock()
    stop = more.pop("stop", lambda: None)
    script = Script(clock, reads, **more)
    records = Nobody()
    records.heard = lambda _: None
    ears = Ears(clock, records, records, stop)
    return hear(script, profile, duration_ns, ears), records, clock


def a_bus(framing="marker", packets=40, **more):
    """A small profile, and reads of its schedule."""
    profile = small(framing)
    line, _ = sent_by(profile, packets)
    return profile, reads_of(line, profile, 1, **more)


def test_a_sound_bus_passes():
    """Everything sound and nothing missing; it never writes (see `Script`)."""
    profile, reads = a_bus("cobs")
    outcome, records, _ = outcome_of(profile, reads, reads[-1].at_ns + MS)
    assert outcome.said.verdict == "PASS"
    assert "all sound, none missing" in outcome.said.reason
    assert outcome.lost is None
    assert sum(r["packets"] for r in records.records) == outcome.figures["packets"]


def test_it_ends_when_time_is_over():
    """A talking bus does not keep it longer than it was asked."""
    profile, reads = a_bus(packets=200)
    half = reads[-1].at_ns // 2
    _, _, clock = outcome_of(profile, reads, half)
    assert half <= clock.now_ns() <= half + 20 * MS


def test_a_bad_check_fails_with_its_place():
    """What was wrong is in the verdict, and each in the anomalies."""
    profile, reads = a_bus()
    at = len(reads) // 2
    from dataclasses import replace

    octets = bytearray(reads[at].octets)
    octets[-1] ^= 0x01
    reads[at] = replace(reads[at], octets=bytes(octets))
    outcome, records, _ = outcome_of(profile, reads, reads[-1].at_ns + MS)
    assert outcome.said.verdict == "FAIL"
    assert outcome.figures["spoilt"] >= 1
    anomalies = [r for r in records.records if r.get("kind") == "rejected"]
    assert anomalies
    assert abs(anomalies[0]["ns"] - reads[at].at_ns) < 5 * MS
    assert any("compare with a second listener" in n for n in outcome.said.notes)


@pytest.mark.parametrize("reads", ["none", "noise"])
def test_nothing_to_judge_is_void(reads):
    """Silence, and octets of no packet, say nothing about nodes."""
    profile, heard = a_bus()
    heard = [] if reads == "none" else [h for h in heard[:1] for _ in range(1)]
    if heard:
        from dataclasses import replace

        heard = [replace(heard[0], octets=b"\x00" * 50)]
    outcome, _, _ = outcome_of(profile, heard, 100 * MS)
    assert outcome.said.verdict == "VOID"
    wanted = {"none": "nothing was heard", "noise": "look at baud"}[reads]
    assert wanted in outcome.said.reason


def test_octets_that_the_host_lost_are_not_the_buss():
    """Overruns of the listener's own receiver void the verdict."""
    profile, reads = a_bus()
    outcome, _, _ = outcome_of(
        profile, reads, reads[-1].at_ns + MS, counts={"overrun": 3, "framing": None}
    )
    assert outcome.said.verdict == "VOID"
    assert "lost by this host" in outcome.said.reason


def test_a_lost_link_keeps_what_was_heard(tmp_path):
    """Exit code 3, and the figures up to there."""
    profile, reads = a_bus()
    clock = JumpClock()
    script = Script(clock, reads, lost_at_ns=reads[20].at_ns + 1)
    result = listen(profile, script, logs=tmp_path, clock=clock)
    assert result.exit_code == 3
    assert "link lost" in result.figures["link_lost"]
    assert result.figures["characters"] > 0
    assert script.calls == ["close"]
    stored = json.loads((result.run / "verdict.json").read_text())
    assert stored["packets"] == result.figures["packets"]
    assert "link lost" in (result.run / "report.txt").read_text()


def test_a_signal_ends_it_in_order(tmp_path):
    """128 + n, with the summary of what was heard."""
    profile, reads = a_bus()
    clock = JumpClock()
    script = Script(clock, reads)
    until = reads[30].at_ns
    result = listen(
        profile,
        script,
        logs=tmp_path,
        clock=clock,
        stop=lambda: 2 if clock.now_ns() >= until else None,
    )
    assert result.exit_code == 130
    assert result.figures["signal"] == "SIGINT"
    assert result.figures["packets"] > 0
    assert clock.now_ns() <= until + 20 * MS


def test_what_is_recorded_is_what_was_heard(tmp_path):
    """The recording of a bus plays back the same octets, and is never written over."""
    profile, reads = a_bus("cobs")
    clock, file = JumpClock(), tmp_path / "bus.rec"
    whole = b"".join(read.octets for read in reads)
    result = listen(
        profile,
        Script(clock, reads),
        duration=reads[-1].at_ns + MS,
        record=file,
        logs=tmp_path / "logs",
        clock=clock,
    )
    assert result.figures["recording"]["characters"] == len(whole)
    source, facts = played_back(profile, file)
    assert facts["characters"] == len(whole)
    assert facts["torn"] is None
    line, sent = source.take(1 << 20)
    assert line.octets.tobytes() == whole
    assert len(sent.rows) == result.figures["packets"]
    with pytest.raises(UsageError, match="file is there already"):
        listen(profile, Script(clock, []), record=file, logs=tmp_path, clock=clock)


def test_a_torn_recording_is_told(tmp_path):
    """Where, and why; what came before is played."""
    profile, reads = a_bus()
    clock, file = JumpClock(), tmp_path / "bus.rec"
    listen(
        profile,
        Script(clock, reads),
        duration=reads[-1].at_ns + MS,
        record=file,
        logs=tmp_path,
        clock=clock,
    )
    octets = file.read_bytes()
    file.write_bytes(octets[:-3])
    _, facts = played_back(profile, file)
    assert facts["torn"]["why"] == "half a chunk"
    assert facts["torn"]["offset"] < len(octets)


def test_a_recording_that_cannot_be_written(tmp_path):
    """A folder that is not there is said before anything is heard."""
    profile, reads = a_bus()
    clock = JumpClock()
    script = Script(clock, reads)
    with pytest.raises(LedgerError, match="cannot be begun"):
        listen(
            profile, script, record=tmp_path / "no" / "rec", logs=tmp_path, clock=clock
        )
    assert script.calls == ["close"]


def test_only_a_part_is_played(tmp_path):
    """What begins within the time asked for, and nothing after it."""
    profile, reads = a_bus(packets=100)
    clock, file = JumpClock(), tmp_path / "bus.rec"
    listen(
        profile,
        Script(clock, reads),
        duration=reads[-1].at_ns + MS,
        record=file,
        logs=tmp_path,
        clock=clock,
    )
    _, whole = played_back(profile, file)
    half = whole["length_ns"] // 2
    source, _ = played_back(profile, file, half)
    line, _ = source.take(1 << 20)
    assert source.take(1) is None
    assert abs(line.until_ns - half) < whole["length_ns"] // 10
