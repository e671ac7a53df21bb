"""What a port reads on a UART lane becomes bursts, matched to the octet."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, no_octets, no_rows
from bench.link.sight import LaneSighter, sighter_of
from bench.profile import load_profile

MS = 1_000_000


def profile(lane: int, lanes: int = 10):
    """The jetty, whose nodes have UART lanes of 48 octets; one of them is read."""
    return load_profile(
        "jetty",
        [
            "node.0.observe.by=lane",
            'node.0.observe.lane={ port = "lane-port", idle = "20 ms" }',
            f"node.0.observe.lane.lane={lane}",
            f"output.lanes={lanes}",
            f"packet.fields.2.octets={48 * lanes}",
        ],
    )


def sighter(lane: int = 0, lanes: int = 10) -> LaneSighter:
    """Who reads it."""
    found = sighter_of(profile(lane, lanes))
    assert isinstance(found, LaneSighter)
    return found


def send(who: LaneSighter, *payloads: bytes, to: int = 0) -> None:
    """Packets are put on the bus."""
    rows, at = [], 0
    for k, payload in enumerate(payloads):
        rows.append((k, k, 0, 9, 0, 0, at, len(payload), 1, to))
        at += len(payload)
    line = Line(no_octets(), no_rows(RUN), no_rows(FLAW), 0, 0)
    octets = np.frombuffer(b"".join(payloads), np.uint8)
    who.sent(line, Sent(np.array(rows, SENT), octets))


def data(seen) -> list[bytes]:
    """What rows hold."""
    return [
        seen.data[row["data_at"] :][: row["data_octets"]].tobytes()
        for row in seen.shown
    ]


def test_a_node_of_one_lane():
    """All of the node is seen: a burst is its data, whatever was sent."""
    who = sighter(lanes=1)
    first, second = bytes(range(48)), bytes(48)
    who.heard_on_lane(0, first + second[:10], 5 * MS)
    who.heard_on_lane(0, second[10:], 9 * MS)
    seen = who.seen(100 * MS)
    assert data(seen) == [first, second]
    assert seen.shown["shown_ns"].tolist() == [0, 1]
    assert seen.shown["clocks"].tolist() == [-1, -1]
    assert who.observes.data
    assert not who.observes.times
    assert who.observes.nodes == (0,)
    assert who.evidence().notes == ()


def test_an_octet_lost():
    """A burst that is short ends where the lane rests, and costs none after it."""
    who = sighter(lanes=1)
    burst = bytes(range(48))
    who.heard_on_lane(0, burst[:20] + burst[21:], 5 * MS)
    who.heard_on_lane(0, burst, 30 * MS)
    assert data(who.seen(100 * MS)) == [burst[:20] + burst[21:], burst]
    (note,) = who.evidence().notes
    assert note.endswith("1 of 2 bursts had too few octets")


def test_one_lane_of_several():
    """The lane is compared; those that nobody reads hold what was sent."""
    who = sighter(lane=3)
    payloads = [bytes([k]) * 480 for k in range(1, 5)]
    send(who, *payloads)
    spoilt = bytes([3]) * 47 + b"\xff"
    for k, burst in enumerate((b"\1" * 48, b"\2" * 48, spoilt, b"\4" * 48)):
        who.heard_on_lane(0, burst, (k + 1) * 40 * MS)
    shown = data(who.seen(10_000 * MS))
    assert shown[0] == payloads[0]
    assert shown[1] == payloads[1]
    assert shown[2] == payloads[2][:144] + spoilt + payloads[2][192:]
    assert shown[3] == payloads[3]
    (note,) = who.evidence().notes
    assert note.endswith("only lane 3 is read, the other 9 are not observable")


def test_ports():
    """The live link is told which port to open, at the lanes' own speed."""
    assert sighter().ports == {0: ("lane-port", 38_400)}


STREAM = b"".join(bytes([k]) * 48 for k in range(6))


@given(st.lists(st.tuples(st.integers(0, len(STREAM)), st.integers(0, 19)), max_size=9))
def test_reads_do_not_matter(cuts):
    """However a lane's octets are read, as long as it does not seem to rest."""
    who = sighter(lanes=1)
    edges = [0, *sorted(place for place, _ in cuts), len(STREAM)]
    at_ns, found = 0, []
    for (a, b), (_, after_ms) in zip(pairwise(edges), [*cuts, (0, 0)], strict=True):
        at_ns += after_ms * MS
        who.heard_on_lane(0, STREAM[a:b], at_ns)
        if after_ms % 2:
            found += data(who.seen(at_ns))
    found += data(who.seen(10_000 * MS))
    assert found == [bytes([k]) * 48 for k in range(6)]
