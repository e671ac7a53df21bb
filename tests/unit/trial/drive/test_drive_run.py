"""Whole drives, in no time: simulated nodes, and a clock that jumps."""

from __future__ import annotations

import json
import signal
import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.trial.drive.rig import MS, loader

from bench.api_drive import SCRIPT, LinkGiven, drive
from bench.base.clock import JumpClock
from bench.base.errors import BenchError, LinkError, UsageError
from bench.ledger.read import read_run
from bench.link.ports import LinkLostError
from bench.profile.model import Observe
from bench.profile.model.observe import Probe, ReplyObserve
from bench.trial.drive.asked.commands import Quit, Turn
from bench.trial.drive.asked.script import Asked, read_line, read_script
from bench.trial.drive.run import judged
from bench.trial.drive.within import WithinTransport, link_within, seen_whole
from bench.trial.links import LinkOptions, live_link
from bench.trial.runner import needed_ns
from bench.trial.serve.served import Served

SLOW = "processor.rearrange.per_octet=600 us"
"""19 ms of work on a packet: beyond 52 frames a second, nodes cannot follow."""


def profile(*overrides):
    """The small causeway."""
    return loader("causeway", "traffic.foreign.share=0", *overrides)()


def driven(tmp_path, lines, *overrides, **more):
    """The result of a script on simulated nodes."""
    more.setdefault("clock", JumpClock(5))
    script = read_script("\n".join(lines), "mine")
    return drive(profile(*overrides), script=script, seed=7, logs=tmp_path, **more)


class Looking:
    """Keeps what a looker is told."""

    def __init__(self):
        self.told, self.standings, self.relinked, self.folder = [], [], [], None

    def begun(self, folder):
        """See `Looker`."""
        self.folder = folder

    def marked(self, told):
        """See `Looker`."""
        self.told.append(told)

    def stands(self, standing):
        """See `Looker`."""
        self.standings.append(standing)

    def relinks(self, told):
        """See `Looker`."""
        self.relinked.append(told)


def sums(result):
    """What became of the packets of all segments, and of all links, word by word."""
    words = ("offered", "shown", "lost", "corrupt", "stray", "repeated")
    segments, links = result.figures["segments"], result.figures["links"]
    return (
        {word: sum(one[word] for one in segments) for word in words},
        {word: sum(one["packets"][word] for one in links) for word in words},
    )


def test_everything_sent_is_shown_and_counted_by_marks(tmp_path):
    """Marks split the packets and lose none; the judge's counts are their sum."""
    looking = Looking()
    lines = ["at 0.49 s up share", "at 0.79 s hold", "at 1 s packet", "at 1.2 s go"]
    result = driven(tmp_path, [*lines, "at 1.49 s quit"], looker=looking)
    assert (result.verdict, result.exit_code) == ("PASS", 0), result.reason
    figures = result.figures
    assert [mark["mark"] for mark in figures["marks"]] == [1, 2, 3, 4, 5]
    assert [one["offered"] for one in figures["segments"]] == [40, 24, 0, 1, 24, 0]
    mine, judge_s = sums(result)
    assert mine == judge_s
    assert figures["packets"]["shown"] == 89
    assert [told.mark.number for told in looking.told] == [1, 2, 3, 4, 5]
    assert all(told.after_ns is None for told in looking.told)
    assert len(looking.standings) > 10
    assert 80 < looking.standings[-1].whole.offered <= 89
    assert figures["links"][0]["link"]["safe_level"] == {"sent": True, "why": None}
    assert figures["links"][0]["link"]["queue_dry"]["times"] == 0


def test_octets_and_times_of_marks_are_those_of_the_line(tmp_path):
    """A packed line has one character every pitch: a mark's octet tells its instant."""
    result = driven(tmp_path, ["at 0.3 s up share", "at 0.7 s hold", "at 0.9 s quit"])
    for mark in result.figures["marks"]:
        assert mark["octet"] * 2500 == mark["at_ns"]
    assert result.figures["characters"] == result.figures["marks"][-1]["octet"]


def test_the_script_of_a_drive_does_it_again(tmp_path):
    """What the ledger's script does leaves the same marks, counts and characters."""
    lines = ["at 0.3 s up share", "at 0.5 s down nodes", "at 0.6 s trigger"]
    lines += ["at 0.8 s bad check", "at 0.9 s set bus.baud=3 Mbaud", "at 1 s hold"]
    lines += ["at 1.1 s frame", "at 1.3 s set traffic.pacing=timed", "at 1.5 s quit"]
    first = driven(tmp_path, lines)
    text = (first.run / SCRIPT).read_text()
    again = driven(tmp_path, text.splitlines())
    for key in ("marks", "segments", "packets", "characters", "trial_ns"):
        assert again.figures[key] == first.figures[key], key
    assert (again.run / SCRIPT).read_text() == text


def test_loss_belongs_to_the_values_that_were_sent(tmp_path):
    """Where frames come faster than bursts end, that segment loses, and no other."""
    rates = ((1, 61), (2, 20))
    lines = [f"at {at} s set traffic.frame_rate={hz} Hz" for at, hz in rates]
    lines.append("at 3 s quit")
    result = driven(tmp_path, lines, SLOW, "accept.latency=90 ms")
    before, during, after, _ = result.figures["segments"]
    assert before["lost"] == after["lost"] == 0
    assert during["lost"] > 0
    assert during["shown"] > 0
    assert result.verdict == "FAIL"
    mine, judge_s = sums(result)
    assert mine == judge_s


@settings(deadline=None, max_examples=8)
@given(st.lists(st.integers(1, 1500), min_size=1, max_size=8))
def test_marks_anywhere_count_what_the_judge_counts(tmp_path_factory, at_ms):
    """However the line is split, each packet is counted once, as the judge has it."""
    rates = (20, 61, 45, 58)
    lines = [
        f"at {ms} ms set traffic.frame_rate={rates[k % 4]} Hz"
        for k, ms in enumerate(sorted(at_ms), 1)
    ]
    folder = tmp_path_factory.mktemp("logs")
    result = driven(folder, [*lines, "at 1.6 s quit"], SLOW)
    mine, judge_s = sums(result)
    assert mine == judge_s
    assert len(result.figures["marks"]) == len(at_ms) + 1


def test_a_new_baud_takes_the_link_up_anew(tmp_path):
    """Characters, packets and time are counted on; for how long it rested is told."""
    looking = Looking()
    lines = ["at 0.49 s set bus.baud=2 Mbaud", "at 1 s up share", "at 1.49 s quit"]
    result = driven(tmp_path, lines, looker=looking)
    assert result.verdict == "PASS", result.reason
    first, second = result.figures["links"]
    assert first["rested_ns"] is None
    assert 2000 * MS < second["rested_ns"] < 2400 * MS
    assert len(looking.relinked) == 1
    baud, share, _ = result.figures["marks"]
    assert 490 * MS <= baud["at_ns"] < 505 * MS
    assert share["at_ns"] >= 1000 * MS
    characters = share["octet"] - baud["octet"]
    assert characters == (share["at_ns"] - baud["at_ns"]) // 5000
    assert "safe_level" not in first["link"]
    assert second["link"]["safe_level"]["sent"]
    mine, judge_s = sums(result)
    assert mine == judge_s
    assert result.figures["packets"]["shown"] == mine["offered"]


def test_it_ends_by_itself(tmp_path):
    """After its time it ends between two packets, and the script says when."""
    result = driven(tmp_path, [], duration_ns=400 * MS)
    assert result.figures["ended"] == "time"
    assert 400 * MS <= result.figures["trial_ns"] < 415 * MS


def test_a_signal_ends_it_in_order(tmp_path):
    """The packet under way is sent, the safe level after it, and the code says why."""
    clock = JumpClock()

    def stop():
        return signal.SIGINT if clock.now_ns() > 700 * MS else None

    result = driven(tmp_path, [], clock=clock, stop=stop)
    assert result.exit_code == 128 + signal.SIGINT
    assert result.figures["ended"] == "stopped"
    assert result.figures["packets"]["lost"] == 0
    assert result.figures["links"][0]["link"]["safe_level"]["sent"]
    assert clock.now_ns() < 1700 * MS
    end = (result.run / SCRIPT).read_text().splitlines()[-1]
    assert read_line(end) == Asked(Quit(), result.figures["trial_ns"])


def test_a_stop_before_anything_is_said(tmp_path):
    """Nothing was sent, and the run's folder says so."""
    result = driven(tmp_path, [], stop=lambda: 15)
    assert (result.verdict, result.reason) == ("VOID", "nothing was sent")
    assert result.exit_code == 143


def test_what_is_asked_meanwhile(tmp_path):
    """From another thread: obeyed between two packets, and how soon is told."""
    looking, asks = Looking(), []

    def stands(standing):
        looking.standings.append(standing)
        for at, command in ((3, Turn("share", up=True)), (9, Quit())):
            if len(looking.standings) == at:
                worker = threading.Thread(target=asks[0], args=(Asked(command),))
                worker.start()
                worker.join()

    looking.stands = stands
    result = driven(tmp_path, [], looker=looking, hands=asks.append)
    first, last = result.figures["marks"]
    assert first["asked"] == "set traffic.foreign.share=5 %"
    assert first["changed"] == [["traffic.foreign.share", "0 %", "5 %"]]
    assert 0 < first["after_ns"] <= 80 * MS
    assert last["asked"] == "quit"
    assert result.figures["ended"] == "asked"


def test_between_orders_with_instants_nothing_else_is_asked(tmp_path):
    """While a script runs, keys are refused but the end, which is at once."""
    looking, asks, faults = Looking(), [], []

    def stands(standing):
        looking.standings.append(standing)
        if len(looking.standings) == 2:
            try:
                asks[0](Asked(Turn("share", up=True)))
            except BenchError as error:
                faults.append(str(error))
            asks[0](Asked(Quit()))

    looking.stands = stands
    lines = ["at 5 s up share", "at 9 s quit"]
    result = driven(tmp_path, lines, looker=looking, hands=asks.append)
    assert "orders wait: up share" in faults[0]
    assert result.figures["trial_ns"] < 600 * MS
    assert [mark["asked"] for mark in result.figures["marks"]] == ["quit"]


def test_a_script_is_refused_whole_before_anything_is_sent(tmp_path):
    """Which command cannot be obeyed, and when it would have been; no run is begun."""
    with pytest.raises(BenchError, match=r"at 2 s: set traffic.foreign.share=200 %"):
        driven(tmp_path, ["at 1 s up rate", "at 2 s set traffic.foreign.share=200 %"])
    assert not list(tmp_path.iterdir())


# --- links ----------------------------------------------------------------------------


def given_link(clock, transport_of, **more):
    """A link over a transport of the tests' own."""

    def opened(values):
        whole = seen_whole(values)
        transport = transport_of(Served(whole, seed=7), clock)
        return live_link(transport, whole, clock, LinkOptions())

    return LinkGiven("simulated", opened, **more)


class Unplugged(WithinTransport):
    """Is unplugged after a while."""

    def _check(self):
        super()._check()
        if self._clock.now_ns() > 900 * MS:
            raise LinkLostError("here", "unplugged", 900 * MS)


def test_a_link_that_is_lost_ends_it(tmp_path):
    """What it carried is judged; where no safe level could be sent is said."""
    clock = JumpClock()
    link = given_link(clock, Unplugged)
    result = driven(tmp_path, ["at 0.39 s up share"], clock=clock, link=link)
    assert result.exit_code == 3
    assert result.figures["ended"] == "lost"
    assert "lost" in result.figures["lost"]
    safe = result.figures["links"][0]["link"]["safe_level"]
    assert safe == {"sent": False, "why": "the link is lost"}
    before, after = result.figures["segments"]
    assert before["shown"] == before["offered"] == 32
    assert after["shown"] > 20
    assert result.verdict == "VOID"
    assert "unplugged" in result.reason


def test_a_link_that_cannot_be_had_is_an_error(tmp_path):
    """Nothing was sent, so there is no result, and the folder says why."""

    def opened(_):
        raise LinkError("no such port")

    with pytest.raises(LinkError, match="no such port"):
        driven(tmp_path, [], link=LinkGiven("pty", opened))
    (run,) = tmp_path.iterdir()
    assert "no such port" in (run / "report.txt").read_text()


class Switching(WithinTransport):
    """Has modem lines, and notes when they are switched and when octets come."""

    def __init__(self, served, clock):
        super().__init__(served, clock)
        self.noted = []

    def switch(self, line, *, on):
        """See `SwitchesLines`."""
        self.noted.append((line, on, self._clock.now_ns()))

    def write(self, octets):
        """See `Transport`."""
        taken = super().write(octets)
        self.noted.append(("octets", taken, self._clock.now_ns()))
        return taken


def test_a_trigger_switches_a_modem_line_around_its_packet(tmp_path):
    """Shortly before the first octet it is on, after it off; the disorder is told."""
    clock, made = JumpClock(), []

    def transport(served, clock):
        made.append(Switching(served, clock))
        return made[0]

    link = given_link(clock, transport, line="rts")
    lines = ["at 0.4 s trigger 3 ms", "at 0.6 s quit"]
    result = driven(tmp_path, lines, clock=clock, link=link)
    mark = result.figures["marks"][0]
    noted = made[0].noted
    on, off = (k for k, row in enumerate(noted) if row[0] == "rts")
    assert [noted[on][1], noted[off][1]] == [True, False]
    written = sum(row[1] for row in noted[:on] if row[0] == "octets")
    assert written == mark["trigger_octet"]
    between = [row for row in noted[on:off] if row[0] == "octets"]
    assert between
    early_ns = between[0][2] - noted[on][2]
    assert 0 < early_ns <= mark["switched_ns"] <= 40 * MS
    assert early_ns <= 2 * MS


def test_a_trigger_line_that_a_link_has_not_is_refused_before_traffic(tmp_path):
    """A trigger that never comes would be looked for at the oscilloscope."""
    link = given_link(JumpClock(), WithinTransport, line="dtr")
    with pytest.raises(LinkError, match="this link has no DTR that could be switched"):
        driven(tmp_path, ["at 0.4 s trigger", "at 0.5 s quit"], link=link)


def test_lights_refuse_a_drive_before_it_begins(tmp_path):
    """What a stream refuses on real lights, a drive does too."""
    clock = JumpClock()

    def opened(values):
        return link_within(values, clock, LinkOptions())

    with pytest.raises(BenchError, match="light too bright"):
        driven(tmp_path, [], clock=clock, link=LinkGiven("/dev/ttyS7", opened))
    assert not list(tmp_path.iterdir())


def test_probes_are_refused(tmp_path):
    """None are put between what is driven, and that is said before anything is sent."""
    whole = loader("modbus-rtu")()
    probe = Probe(every=5, packet=whole.packet)
    observe = Observe(by="reply", reply=ReplyObserve(probe=probe))
    nodes = tuple(node.model_copy(update={"observe": observe}) for node in whole.node)
    with pytest.raises(UsageError, match="a drive sends no probes"):
        drive(whole.model_copy(update={"node": nodes}), logs=tmp_path)


# --- the ledger -----------------------------------------------------------------------


def test_the_ledger_holds_marks_and_segments(tmp_path):
    """Each mark and what became of the packets after it is a record of the log."""
    result = driven(tmp_path, ["at 0.4 s up share", "at 0.8 s quit"])
    stored = read_run(result.run)
    assert not stored.faults
    marks = [one for one in stored.intervals.records if "mark" in one]
    assert marks == result.figures["marks"]
    segments = [one["segment"] for one in stored.intervals.records if "segment" in one]
    assert segments == result.figures["segments"]
    assert stored.verdict == json.loads(json.dumps(result.as_dict()))
    assert stored.run["what"] == "drive"


def test_the_judge_waits_as_long_as_the_slowest_frames_need():
    """Where nodes show on a sync, turning the rate down is no loss by itself."""
    whole = loader("causeway", "processor.show=sync", "traffic.broadcast_every=1")()
    assert judged(whole).traffic.frame_rate_hz == 1
    assert needed_ns(judged(whole)) > needed_ns(whole)
    assert judged(profile()).traffic == profile().traffic
    assert judged(profile()).accept.skew_ns is None
