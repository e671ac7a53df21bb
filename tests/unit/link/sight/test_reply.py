"""Answers are put to what they answer, and what should not be answered is told."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.link.sight.packets import columns

from bench.link.sight import ReplySighter, sighter_of
from bench.link.transport import Heard
from bench.profile import load_profile, profile_of
from bench.wire.format import format_of
from bench.wire.packets import build

FILE = Path(__file__).parents[3] / "links" / "referees" / "modbus.toml"
CASES = Path(__file__).parents[3] / "cases"

PROFILE = load_profile(FILE)
FORMAT = format_of(PROFILE.packet)
MS = 1_000_000
PITCH_MS = 40


def request(payload: bytes, address: int = 1, **odd: int) -> bytes:
    """A packet."""
    return build(FORMAT, address=address, payload=payload, **odd)


REFUSAL = build(
    format_of(PROFILE.node[0].observe.reply.refusal), address=9, payload=b"\x04"
)


@dataclass
class Bus:
    """A bus with packets every 40 ms, and what is heard on it."""

    profile: object = PROFILE
    packets: list[tuple[bytes, bytes | None]] = field(default_factory=list)
    heard: list[tuple[int, bytes]] = field(default_factory=list)

    def say(self, octets: bytes, payload: bytes | None = None) -> int:
        """Send one packet; its beginning in ms."""
        self.packets.append((octets, payload))
        return (len(self.packets) - 1) * PITCH_MS

    def ask(self, payload: bytes, answer: bytes | None, after_ms: int = 2) -> None:
        """Send a packet for the node, and hear an answer."""
        at_ms = self.say(request(payload), payload)
        if answer is not None:
            self.hear(at_ms + after_ms, answer)

    def hear(self, at_ms: int, octets: bytes) -> None:
        """Octets come."""
        self.heard.append((at_ms, octets))

    def run(self, cuts: list[int] | None = None) -> tuple[list[bytes], ReplySighter]:
        """What was shown, and who knows the rest; reads are cut at some places."""
        sighter = sighter_of(self.profile)
        assert isinstance(sighter, ReplySighter)
        first, shown = 0, []
        events = [(k * PITCH_MS, 0, p) for k, p in enumerate(self.packets)]
        events += [(at_ms, 1, octets) for at_ms, octets in self.heard]
        cuts = list(cuts or [])
        for at_ms, kind, what in sorted(events, key=lambda one: one[:2]):
            at_ns = at_ms * MS
            if kind == 0:
                octets, payload = what
                times = at_ns, at_ns + len(octets) * 86_806
                serial = at_ms // PITCH_MS
                sighter.sent(*columns(serial, first, octets, times, payload))
                first += len(octets)
                shown += data(sighter.seen(at_ns))
            else:
                place = cuts.pop() % (len(what) + 1) if cuts else 0
                for piece in (what[:place], what[place:]):
                    sighter.heard(Heard(piece, at_ns), at_ns)
        return shown + data(sighter.seen(10**12)), sighter


def data(seen) -> list[bytes]:
    """What rows hold."""
    return [
        seen.data[row["data_at"] :][: row["data_octets"]].tobytes()
        for row in seen.shown
    ]


def packets(sighter: ReplySighter, kind: str) -> dict[str, int]:
    """Counts of one kind."""
    return sighter.evidence().figures["reply"]["packets"][kind]


def test_each_answer_is_seen():
    """A packet that is answered with its payload was shown, in order."""
    bus = Bus()
    for k in range(20):
        bus.ask(bytes([k, k]), request(bytes([k, k])))
    shown, sighter = bus.run()
    assert shown == [bytes([k, k]) for k in range(20)]
    assert packets(sighter, "own") == {
        "asked": 20,
        "answered": 20,
        "refused": 0,
        "late": 0,
        "wrong": 0,
    }
    observes = sighter.observes
    assert observes.shown
    assert observes.data
    never = [observes.times, observes.clocks, observes.dropped, observes.lost]
    assert not any(never)
    trip = sighter.evidence().figures["reply"]["round_trip"]
    assert trip["n"] == 20
    assert 2 * MS <= trip["ns"]["p50"] <= 2 * MS * 513 // 512
    assert sighter.evidence().findings == ()


def test_a_lost_one_is_not_seen():
    """A packet without an answer leaves no row."""
    bus = Bus()
    bus.ask(b"ab", request(b"ab"))
    bus.ask(b"cd", None)
    bus.ask(b"ef", request(b"ef"))
    shown, sighter = bus.run()
    assert shown == [b"ab", b"ef"]
    assert packets(sighter, "own")["answered"] == 2


def test_a_late_one_is_late():
    """An answer after its window is still that packet's, and counted late."""
    bus = Bus()
    bus.ask(b"ab", request(b"ab"), after_ms=35)
    bus.ask(b"cd", request(b"cd"), after_ms=2)
    shown, sighter = bus.run()
    assert shown == [b"ab", b"cd"]
    assert packets(sighter, "own")["late"] == 1
    assert sighter.evidence().notes == ("1 of 2 answers came late",)


def test_wrong_data():
    """An answer with another payload shows what the node took."""
    bus = Bus()
    bus.ask(b"ab", request(b"xy"))
    shown, sighter = bus.run()
    assert shown == [b"xy"]
    assert packets(sighter, "own")["wrong"] == 1


def test_answers_for_nobody():
    """A packet for another address that is answered is a finding, with its address."""
    bus = Bus()
    for k in range(10):
        at_ms = bus.say(request(bytes([k, 1]), address=9))
        bus.hear(at_ms + 1, REFUSAL if k % 2 else request(bytes([k, 1]), address=9))
        at_ms = bus.say(request(bytes([k, 2]), address=7))
    shown, sighter = bus.run()
    assert shown == []
    assert sighter.evidence().findings == (
        "answered 5 and refused 5 of 10 packets for address 9, which is nobody's",
    )
    foreign = sighter.evidence().figures["reply"]["foreign"]
    assert foreign["7"]["answered"] == foreign["7"]["refused"] == 0


def test_answers_for_many():
    """Who answers for everybody is told in one sentence."""
    bus = Bus()
    for address in (9, 4, 7):
        for k in range(3):
            at_ms = bus.say(request(bytes([k, address]), address=address))
            bus.hear(at_ms + 1, request(bytes([k, address]), address=address))
    _, sighter = bus.run()
    assert sighter.evidence().findings == (
        "answered 9 of 9 packets for 3 addresses that are nobody's: 9, 4, 7",
    )


def test_bad_packets_answered():
    """A packet with a bad check must not be answered; if it is, it was shown, too."""
    bus = Bus()
    for k in range(4):
        at_ms = bus.say(request(bytes([k, 3]), check_xor=1))
        if k < 3:
            bus.hear(at_ms + 1, request(bytes([k, 3])))
    shown, sighter = bus.run()
    assert shown == [bytes([k, 3]) for k in range(3)]
    assert sighter.evidence().findings == ("answered 3 of 4 packets with a bad check",)


def test_what_nobody_asked():
    """An answer to nothing, a second answer, and octets that are none."""
    bus = Bus()
    bus.hear(20, request(b"zz"))
    bus.ask(b"ab", request(b"ab"))
    bus.hear(10, request(b"ab"))
    bus.ask(b"cd", b"\xff\x00" + request(b"cd"))
    shown, sighter = bus.run()
    assert shown == [b"ab", b"ab", b"cd"]
    evidence = sighter.evidence()
    assert evidence.findings == ("1 answers from address 1 that nobody asked for",)
    assert evidence.figures["reply"]["repeated"] == 1
    assert evidence.notes == ("2 octets were heard that belong to no answer",)


def test_refused():
    """A node that refuses its own packets has not shown them."""
    bus = Bus()
    refusal = build(
        format_of(PROFILE.node[0].observe.reply.refusal), address=1, payload=b"\x02"
    )
    bus.ask(b"ab", refusal)
    bus.ask(b"cd", request(b"cd"))
    shown, sighter = bus.run()
    assert shown == [b"cd"]
    assert sighter.evidence().findings == ("sluice refused 1 of 2 packets",)


def test_the_reply_that_looks_like_the_request():
    """Case A10: without an echo, nothing of a reply is taken for one."""
    text = (CASES / "A10_echo.toml").read_text(encoding="utf-8")
    (exchange,) = [
        one
        for one in tomllib.loads(text)["exchange"]
        if one["id"] == "reply-looks-like-request"
    ]
    assert exchange["echo"] == "off"
    # A form of its own: a marker, three octets, no check.
    tables = PROFILE.dump()
    form = {
        "framing": "marker",
        "fields": [
            {"kind": "literal", "octets": "A5"},
            {"kind": "address"},
            {"kind": "payload", "octets": 3},
        ],
    }
    observe = {"by": "reply", "reply": {"packet": form, "payload": False}}
    tables["node"][0] |= {"address": 9, "observe": observe}
    bus = Bus(profile_of(tables))
    bus.say(bytes.fromhex(exchange["tx"][0]))
    for chunk in exchange["rx_chunks"]:
        bus.hear(2, bytes.fromhex(chunk))
    _, sighter = bus.run()
    # The request is no packet of the format, so the reply answers nothing: it is whole.
    assert sighter.evidence().figures["reply"]["unasked"] == 1
    assert sighter.evidence().figures["reply"]["octets_of_no_answer"] == 0


def test_with_an_echo():
    """What the adapter hears of itself is no answer, though it looks like one."""
    tables = PROFILE.dump()
    tables["bus"]["echo"] = True
    bus = Bus(profile_of(tables))
    bus.ask(b"ab", request(b"ab"))
    bus.ask(b"cd", request(b"cd") * 2)
    shown, sighter = bus.run()
    assert shown == [b"cd"]
    assert sighter.evidence().figures["echo"]["verified"] == 16


def test_probes():
    """Where only probes are answered, what is shown is not observable."""
    tables = PROFILE.dump()
    fields = [*tables["packet"]["fields"]]
    fields[1] = {"kind": "literal", "octets": "07"}
    probe = {"every": 3, "packet": {**tables["packet"], "fields": fields}}
    tables["node"][0]["observe"]["reply"] |= {"probe": probe}
    profile = profile_of(tables)
    form = format_of(profile.node[0].observe.reply.probe.packet)
    bus = Bus(profile)
    for k in range(12):
        bus.ask(bytes([k, k]), None)
        if k % 3 == 2:
            at_ms = bus.say(build(form, address=1, payload=b"\0\0"))
            if k != 5:
                bus.hear(at_ms + 3, request(b"\x10\x20"))
    shown, sighter = bus.run()
    assert shown == []
    assert not sighter.observes.shown
    assert packets(sighter, "own")["answered"] == 0
    assert packets(sighter, "probe")["asked"] == 4
    assert packets(sighter, "probe")["answered"] == 3
    assert sighter.evidence().figures["reply"]["round_trip"]["n"] == 3


@settings(max_examples=60, deadline=None)
@given(
    plan=st.lists(
        st.tuples(
            st.sampled_from(["good", "foreign", "bad", "noise", "none"]),
            st.integers(0, 39),
            st.binary(max_size=3),
        ),
        max_size=12,
    ),
    cuts=st.lists(st.integers(0, 30), max_size=12),
)
def test_reads_do_not_matter(plan, cuts):
    """The same octets at the same instants: the same rows and the same evidence."""
    bus = Bus()
    for k, (what, after_ms, junk) in enumerate(plan):
        payload = bytes([k, 0x80 | k])
        answer = junk + request(payload)
        if what == "good":
            bus.ask(payload, answer, after_ms)
        elif what == "none":
            bus.ask(payload, None)
        else:
            sent = {
                "foreign": request(payload, address=9),
                "bad": request(payload, check_xor=7),
                "noise": b"\x5a",
            }[what]
            bus.hear(bus.say(sent) + after_ms, answer)
    shown, sighter = bus.run()
    again, other = bus.run(cuts)
    assert again == shown
    assert other.evidence() == sighter.evidence()


@pytest.mark.parametrize(
    ("name", "limited"),
    [("A11_rtt_adapter_a.csv", True), ("A11_rtt_adapter_b.csv", False)],
)
def test_round_trips_of_adapters(name, limited):
    """Case A11: round trips that an adapter's timer makes are marked so."""
    rows = (CASES / name).read_text().split()[1:]
    bus = Bus()
    bus.heard, at = [], 0
    sighter = sighter_of(PROFILE)
    for serial, row in enumerate(rows):
        payload, trip_ns = serial.to_bytes(2, "big"), int(row.split(",")[1]) * 1000
        octets, start_ns = request(payload), serial * 200 * MS
        times = start_ns, start_ns + 8 * 86_806
        sighter.sent(*columns(serial, at, octets, times, payload))
        sighter.heard(Heard(octets, 0), start_ns + trip_ns)
        at += 8
    sighter.seen(10**12)
    evidence = sighter.evidence()
    trip = evidence.figures["reply"]["round_trip"]
    assert trip["n"] == 200
    assert trip["adapter_limited"] is limited
    assert any("adapter-limited" in note for note in evidence.notes) is limited
    if limited:
        assert abs(trip["quantum"]["ns"] - 16 * MS) <= 0.1 * MS
