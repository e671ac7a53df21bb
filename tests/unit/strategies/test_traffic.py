"""Strategies: what is drawn, what it shrinks to, and what nodes make of it."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, Phase, find, given, settings
from hypothesis import strategies as st
from unit.report.papers import paper_profile
from wire.plain_decoder import decode

from bench.base.columns import Flaw
from bench.base.errors import UsageError
from bench.profile import load_profile, shipped_profiles
from bench.strategies import (
    HOSTILE,
    Piece,
    Traffic,
    calm_ns,
    good,
    hostile,
    hostile_kinds,
    payloads,
    traffic,
)
from bench.strategies.sent import Idle, Marked, Run
from bench.strategies.shown import shown_of
from bench.wire.format import format_of

CHILD = load_profile("tests/links/child/profile.toml")
SHORT = ["output.devices=1", "output.register_bits=16"]

SMALL = {
    "marker": load_profile("causeway", SHORT),
    "timeout": load_profile(
        "causeway", [*SHORT, "packet.silence=40 us", "processor.resync=timeout"]
    ),
    "rescan": load_profile("causeway", [*SHORT, "processor.resync=rescan"]),
    "sync": load_profile(
        "causeway",
        [*SHORT, "processor.show=sync", "traffic.broadcast_every=1"],
    ),
    "cobs": load_profile("jetty", ["output.devices=2", "packet.fields.2.octets=20"]),
    "slip": load_profile("slipway", ["output.devices=2", "packet.fields.2.octets=48"]),
    "break": load_profile("dmx512"),
    "silence": load_profile("modbus-rtu"),
    "two": CHILD,
}

FEW = settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

FIND = settings(max_examples=2000, database=None, derandomize=True, deadline=None)


# --- what nodes make of it ------------------------------------------------------------


@pytest.mark.parametrize("name", SMALL)
@given(data=st.data())
@FEW
def test_simulated_boards_show_it(name, data):
    """What traffic says that nodes show is what the simulated boards show."""
    from bench.pytest_plugin.bus import Bus

    profile = SMALL[name]
    sent = data.draw(traffic(profile, calm=True, line=True))
    bus = Bus(profile, 0, lambda _: None)
    assert bus.send(sent).shown == sent.shown


@pytest.mark.parametrize("name", ["marker", "cobs", "slip", "two"])
@given(data=st.data())
@FEW
def test_the_plain_decoder_agrees(name, data):
    """Back to back as well, by the decoder that is written from the definition."""
    profile = SMALL[name]
    form = format_of(profile.packet)
    sent = data.draw(traffic(profile))
    resync = profile.node[0].processor.resync
    events = decode(form, resync, [("octets", sent.octets)])
    packets = [event[4:6] for event in events if event[0] == "packet"]
    for node in profile.node:
        mine = {node.address, *form.layout.broadcast}
        size = node.output.lanes * node.output.lane_octets
        expected = [
            payload
            for payload, address in packets
            if address in mine and len(payload) == size
        ]
        assert sent.shown[node.name] == expected


def test_nothing_is_shown_of_what_is_not_whole():
    """A good packet is shown; without its last octet it is not, by nobody."""
    whole = find(good(CHILD), lambda _: True, settings=FIND)
    assert sum(map(len, shown_of(CHILD, whole.symbols).values())) == 1
    (run,) = whole.symbols
    for end in range(len(run.octets)):
        shown = shown_of(CHILD, [Run(run.octets[:end])])
        assert shown == {"upper": [], "lower": []}


def test_a_sync_shows_the_newest_packet():
    """Two packets and a broadcast: the second is shown; another broadcast, nothing."""
    profile = SMALL["sync"]
    address = profile.node[0].address
    from bench.wire.packets import build

    form = format_of(profile.packet)

    def packet(to, octet):
        return Run(build(form, address=to, payload=bytes([octet]) * 16))

    sync = packet(255, 0)
    symbols = [packet(address, 1), packet(address, 2), sync, sync]
    assert shown_of(profile, symbols)["slack-water"] == [b"\2" * 16]
    assert shown_of(profile, symbols)["ebb"] == []


# --- what is drawn --------------------------------------------------------------------


@pytest.mark.parametrize("name", SMALL)
@given(data=st.data())
@FEW
def test_good_packets_are_shown(name, data):
    """By their node, or by all of them if they are for all; payloads as drawn."""
    profile = SMALL[name]
    piece = data.draw(good(profile))
    sent = Traffic(profile, (piece,))
    counts = sorted(len(one) for one in sent.shown.values())
    if profile.packet.shared:
        assert counts == [1] * len(profile.node)
    elif profile.node[0].processor.show == "sync":
        assert sum(counts) == 0
    else:
        assert counts in ([*[0] * (len(counts) - 1), 1], [1] * len(counts))


QUIET = {
    "check-wrong",
    "check-turned",
    "literal-wrong",
    "wrong-size",
    "cut",
    "marker-torn",
    "length-wrong",
}
"""Kinds of which nothing is shown (a check may by chance be right turned round)."""


@pytest.mark.parametrize("kind", HOSTILE)
@given(data=st.data())
@settings(FEW, max_examples=15)
def test_every_kind_is_what_it_says(kind, data):
    """It fits some profile; it is named; and where nothing may be shown nothing is."""
    fitting = [
        profile
        for name, profile in SMALL.items()
        if kind in hostile_kinds(profile, line=True) and name != "sync"
    ]
    assert fitting, kind
    profile = data.draw(st.sampled_from(fitting))
    piece = data.draw(hostile(profile, [kind], line=True))
    assert piece.what == kind
    assert repr(piece).startswith(f"{kind}: ")
    shown = [one for each in Traffic(profile, (piece,)).shown.values() for one in each]
    plain = Traffic(profile, (data.draw(good(profile)),))
    limit = max(1, sum(map(len, plain.shown.values())), len(profile.node))
    assert len(shown) <= limit
    if kind in QUIET and kind != "check-turned":
        assert shown == []
    if kind in ("packet-inside", "begun-again", "delimiters") and profile is CHILD:
        assert len(shown) <= 1 or kind == "begun-again"


def test_kinds_follow_the_packet():
    """No check, length, address or literal: no kind that makes one wrong."""
    assert "bad-stuffing" not in hostile_kinds(SMALL["marker"])
    assert "marker-torn" in hostile_kinds(SMALL["marker"])
    assert "delimiters" in hostile_kinds(SMALL["slip"])
    for kind in ("check-wrong", "length-wrong", "other-address", "wrong-size"):
        assert kind not in hostile_kinds(SMALL["break"])
    for kind in ("pause-inside", "line-error", "break-inside"):
        assert kind not in hostile_kinds(SMALL["silence"])
        assert kind in hostile_kinds(SMALL["silence"], line=True)
    for name in ("no-check", "odd-fields", "hdlc", "ninth-bit"):
        assert len(hostile_kinds(paper_profile(name))) >= 6


@pytest.mark.parametrize("name", ["hdlc", "ninth-bit", "odd-fields", "uarts"])
@given(data=st.data())
@settings(FEW, max_examples=10)
def test_any_profile_can_be_attacked(name, data):
    """Other framings and fields draw, and make a line."""
    profile = paper_profile(name)
    sent = data.draw(traffic(profile, most=2, line=True))
    line = sent.line()
    assert len(line.octets) >= 1
    assert set(sent.shown) == {node.name for node in profile.node}


@given(octets=payloads(load_profile("causeway")))
@settings(max_examples=30, deadline=None)
def test_long_payloads_are_drawn(octets):
    """3,840 octets at once, which hypothesis could not draw one by one."""
    assert len(octets) == 3840


@pytest.mark.parametrize("name", shipped_profiles())
@given(data=st.data())
@settings(FEW, max_examples=5)
def test_shipped_profiles(name, data):
    """Each of them as it is shipped, whatever it is long."""
    profile = load_profile(name)
    sent = data.draw(traffic(profile, most=3, line=True, calm=True))
    assert 1 <= len(sent.pieces) <= 3


# --- what it shrinks to ---------------------------------------------------------------


def test_traffic_shrinks_to_one_plain_packet():
    """Anything shown: one good packet to the first node, all of it zeros."""
    found = find(traffic(CHILD), lambda t: any(t.shown.values()), settings=FIND)
    assert repr(found) == (
        "traffic for bollards\n    good: C3 96 01 08 00 00 00 00 00 00 00 00 46 BA"
    )


def test_payloads_shrink_to_what_matters():
    """A long payload of which one octet has to differ: all others are zeros."""
    profile = load_profile("causeway")
    found = find(
        payloads(profile), lambda p: p[999] == p[1001] != p[1000], settings=FIND
    )
    assert found == bytes(1000) + b"\1" + bytes(2839)


def test_hostile_traffic_shrinks_to_one_piece():
    """What takes a wrong check for a right one is told by one packet of zeros."""
    quick = settings(FIND, phases=[Phase.generate, Phase.shrink])
    found = find(
        traffic(CHILD),
        lambda t: any(piece.what == "check-wrong" for piece in t.pieces),
        settings=quick,
    )
    (piece,) = found.pieces
    assert piece.what == "check-wrong"
    (run,) = piece.symbols
    assert run.octets[:-2] == bytes.fromhex("C3 96 01 08") + bytes(8)


# --- octets and lines -----------------------------------------------------------------


def test_octets_say_no_more_than_octets():
    """A pause, a break or a ninth bit is refused where octets are asked for."""
    for symbol, said in (
        (Idle(5), "(5 ns idle)"),
        (Marked(0, Flaw.BREAK, 9), "(break of 9 ns)"),
        (Marked(0x41, Flaw.ADDRESS), "41'"),
        (Marked(0x41, Flaw.PARITY), "(parity error at 41)"),
    ):
        sent = Traffic(CHILD, (Piece("x", (Run(b"\1"), symbol)),))
        with pytest.raises(ValueError, match="no octets say this") as caught:
            _ = sent.octets
        assert said in str(caught.value)
        assert said in repr(sent)


def test_the_line_is_exact():
    """Characters at 1 Mbaud take 10 us; a break its own time; idle time adds up."""
    pieces = (
        Piece("x", (Run(b"ab"), Idle(7), Idle(3), Run(b"c"))),
        Piece("y", (Marked(0, Flaw.BREAK, 55_000), Run(b"d"))),
    )
    line = Traffic(CHILD, pieces, idle_ns=100).line(first=40, start_ns=1000)
    assert line.octets.tobytes() == b"abc\0d"
    assert line.first == 40
    runs = [tuple(run) for run in line.runs.tolist()]
    c_ns = 1000 + 2 * 10_000 + 10
    break_ns = c_ns + 10_000 + 100
    assert runs == [
        (0, 1000, 0),
        (2, c_ns, 0),
        (3, break_ns, 0),
        (4, break_ns + 55_000, 0),
    ]
    assert [tuple(flaw) for flaw in line.flaws.tolist()] == [(3, 55_000, Flaw.BREAK)]
    end_ns = break_ns + 55_000 + 10_000 + 100
    assert line.until_ns == end_ns + calm_ns(CHILD)


def test_what_is_refused():
    """Kinds and nodes that a profile does not have, in one line."""
    with pytest.raises(UsageError, match="no such hostile kind here: bad-stuffing"):
        hostile(CHILD, ["bad-stuffing"])
    with pytest.raises(UsageError, match="no such hostile kind here: line-error"):
        traffic(CHILD, kinds=["line-error"])
    with pytest.raises(UsageError, match="no such node: tide, expected upper or lower"):
        payloads(CHILD, "tide")
    with pytest.raises(UsageError, match="no such node: tide"):
        good(CHILD, "tide")
