"""What each node is to show of a schedule: plain, on a sync, shared, open-ended."""

from __future__ import annotations

from itertools import pairwise

import pytest
from unit.traffic.profiles import shared, small
from unit.trial.upset.tries import open_ended

from bench.base.columns import To
from bench.node.spec import node_specs
from bench.trial.upset.named import NAMES, UPSETS
from bench.trial.upset.traffic import Traffic, Whole

LASTS_NS = 40_000_000


def test_a_packet_that_ends_with_a_silence() -> None:
    """It needs the silence too."""
    timeout = (
        "processor.uart.idle_timeout=120 us",
        "processor.uart.idle_on_empty=true",
    )
    profile = small("silence", *timeout)
    whole = Traffic(profile, 1, LASTS_NS)
    (spec, _) = node_specs(profile)
    rows = whole.sent.rows[whole.sent.rows["to"] == 0]
    owns = whole.own(spec)
    assert [own.end_ns for own in owns] == [
        int(row["last_bit_ns"]) + 100_000 for row in rows
    ]
    assert [own.received_ns for own in owns] == list(rows["last_bit_ns"])


def test_a_packet_whose_end_only_the_next_one_shows() -> None:
    """After a break, without a length: the last of all is never known to be whole."""
    whole = Traffic(open_ended(), 1, LASTS_NS)
    rows = whole.sent.rows
    after = {int(one["packet"]): int(two["last_bit_ns"]) for one, two in pairwise(rows)}
    for spec in node_specs(open_ended()):
        for own in whole.own(spec):
            assert own.end_ns == after.get(own.packet)
    sized = Traffic(small("break"), 1, LASTS_NS).own(node_specs(small("break"))[0])
    assert all(own.end_ns == own.received_ns for own in sized)


@pytest.mark.parametrize("index", [0, 1])
def test_a_shared_payload(index: int) -> None:
    """Each node's own octets of every packet."""
    profile = shared("marker")
    whole = Traffic(profile, 1, LASTS_NS)
    spec = node_specs(profile)[index]
    owns = whole.own(spec)
    rows = whole.sent.rows
    assert set(rows["to"]) == {To.EVERY_NODE}
    assert len(owns) == len(rows)
    start = int(rows["payload_at"][2]) + (0, 20)[index]
    assert owns[2].data == whole.sent.payload[start : start + 16].tobytes()


def test_shown_on_a_sync() -> None:
    """Due is what came last before each sync; it has ended with the sync."""
    profile = small("marker", "processor.show=sync", "traffic.broadcast_every=2")
    whole = Traffic(profile, 1, LASTS_NS)
    (spec, _) = node_specs(profile)
    owns = whole.own(spec)
    rows = whole.sent.rows
    syncs = rows[rows["to"] == To.EVERY_NODE]
    due = [own for own in owns if own.due]
    assert len(due) == len(syncs) == len(owns) // 2
    for own, sync in zip(due, syncs, strict=True):
        assert own.end_ns == sync["last_bit_ns"]
        assert own.received_ns < sync["start_ns"]
        later = [one for one in owns if own.begin_ns < one.begin_ns < sync["start_ns"]]
        assert later == []


def test_everything_for_a_node() -> None:
    """Its own packets and those to all, first start bit and last bit."""
    profile = small("marker", "traffic.broadcast_every=1")
    whole = Traffic(profile, 1, LASTS_NS)
    rows = whole.sent.rows
    spans = whole.spans(node_specs(profile)[1])
    mine = rows[(rows["to"] == 1) | (rows["to"] == To.EVERY_NODE)]
    assert spans == [(int(row["start_ns"]), int(row["last_bit_ns"])) for row in mine]


def test_all_of_it_at_once() -> None:
    """A stored schedule is one chunk, and then there is no more."""
    whole = Traffic(small("marker"), 1, LASTS_NS)
    source = Whole(whole)
    assert source.take(10) == (whole.line, whole.sent)
    assert source.take(10) is None


def test_longer_schedules_begin_alike() -> None:
    """What is sent first does not depend on how long it goes on."""
    profile = small("marker", "traffic.pacing=packed")
    short, long = (Traffic(profile, 5, ns) for ns in (LASTS_NS, 2 * LASTS_NS))
    # The last gap before the end is filled to another place.
    count = len(short.sent.rows) - 2
    assert list(short.sent.rows[:count]["start_ns"]) == list(
        long.sent.rows[:count]["start_ns"]
    )
    place = int(short.sent.rows["first"][count - 1])
    assert bytes(short.line.octets[:place]) == bytes(long.line.octets[:place])


def test_names() -> None:
    """Each upset has a name of its own and one line that says what happens."""
    assert len(set(NAMES)) == len(NAMES) == len(UPSETS)
    for one in UPSETS:
        assert one.name == one.name.lower()
        assert one.line
        assert not one.line.endswith(".")
        assert one.resets is not one.lasts
