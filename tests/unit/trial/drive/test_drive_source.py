"""What a drive puts on the line."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.trial.drive.rig import MS, desk, drive, gaps

from bench.base.columns import Flaw
from bench.traffic.place import Place
from bench.traffic.schedule import Schedule
from bench.trial.drive.asked.script import script_line
from bench.trial.drive.source import GAP_NS
from bench.wire.decoder import Decoder
from bench.wire.format import format_of
from bench.wire.states import Packet, Resync


def own_rows(taken):
    """Packets for nodes."""
    return [row for row in taken.rows if row[9] >= 0]


def test_without_orders_it_is_the_schedule():
    """A drive in which nothing is turned puts on the line what a stream does."""
    one = desk()
    taken = drive(one)
    schedule = Schedule(one.profile, seed=3)
    octets = b""
    while len(octets) < len(taken.octets):
        octets += schedule.take(1 << 16)[0].octets.tobytes()
    assert bytes(taken.octets) == octets[: len(taken.octets)]
    assert not gaps(taken, one.profile.bus.pitch)


@pytest.mark.parametrize("baud", ["4 Mbaud", "3 Mbaud", "1234567 baud"])
def test_a_change_leaves_no_gap_in_a_packed_line(baud):
    """Values change between two characters, on the exact grid, with nothing between."""
    one = desk("causeway", f"bus.baud={baud}")
    taken = drive(
        one,
        [
            "at 40 ms set traffic.foreign.share=40 %",
            "at 70 ms set traffic.pattern=ramp",
            "at 90 ms hold",
            "at 130 ms go",
            "at 150 ms set traffic.frame_rate=30 Hz",
        ],
    )
    assert not gaps(taken, one.profile.bus.pitch)
    assert [mark.number for mark in taken.marks] == [1, 2, 3, 4, 5]
    for mark, at_ns in zip(taken.marks, (40, 70, 90, 130, 150), strict=True):
        assert at_ns * MS <= mark.at_ns <= (at_ns + 12) * MS


def test_marks_lie_between_packets():
    """No packet lies across a mark, and its octet is the one that starts then."""
    taken = drive(desk(), [f"at {k} ms up share" for k in range(10, 150, 20)])
    assert len(taken.marks) == 7
    for mark in taken.marks:
        start = taken.times[mark.octet]
        assert mark.at_ns - 1 <= start[0] <= mark.at_ns
        assert not any(row[2] < mark.octet < row[2] + row[3] for row in taken.rows)


def test_a_change_counts_on():
    """Packets, frames, and the sequence numbers of every address go on at a change."""
    one = desk()
    taken = drive(one, ["at 60 ms set traffic.foreign.share=40 %"], 400 * MS)
    assert [row[0] for row in taken.rows] == list(range(len(taken.rows)))
    frames = [row[1] for row in own_rows(taken)]
    assert frames == sorted(frames)
    assert [row[9] for row in own_rows(taken)] == [
        k % 4 for k in range(len(own_rows(taken)))
    ]
    seen: dict[int, list[int]] = {}
    for row in taken.rows:
        packet = bytes(taken.octets[row[2] : row[2] + row[3]])
        seen.setdefault(packet[2], []).append(packet[3])
    assert all(
        numbers == [k % 256 for k in range(len(numbers))] for numbers in seen.values()
    )
    payloads = [
        bytes(taken.octets[row[2] + 6 : row[2] + 38]) for row in own_rows(taken)
    ]
    assert len(set(payloads)) == len(payloads)


def test_own_packets_keep_their_pitch_over_a_change():
    """A change moves no own packet; a new rate holds from the next one on."""
    one = desk("causeway", "traffic.dither=0")
    taken = drive(
        one,
        [
            "at 60 ms set traffic.foreign.share=40 %",
            "at 101 ms set traffic.frame_rate=40 Hz",
        ],
    )
    starts = [row[4] for row in own_rows(taken)]
    before = [b - a for a, b in pairwise(starts) if b < 101 * MS]
    after = [b - a for a, b in pairwise(starts) if a > 101 * MS]
    assert all(abs(gap - 12_500_000) < 100_000 for gap in before)
    assert all(abs(gap - 6_250_000) < 100_000 for gap in after)
    assert len(before) == 8
    assert len(after) > 10


@settings(deadline=None, max_examples=25)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 60),
            st.sampled_from(
                [
                    *("up share", "down share", "up nodes", "down nodes", "up rate"),
                    *("up length", "hold", "go", "packet", "frame", "bad check"),
                    *(
                        "bad short",
                        "bad address",
                        "trigger",
                        "trigger 5 ms",
                        "up pattern",
                    ),
                    "mark here",
                ]
            ),
        ),
        max_size=12,
    ),
    st.sampled_from(["packed", "timed", "flood"]),
)
def test_what_was_done_by_hand_can_be_done_again(asked, pacing):
    """A script of the marks, at their instants, puts the same on the line again."""
    first = desk("causeway", f"traffic.pacing={pacing}")
    asks: dict[int, list[str]] = {}
    for chunk, line in asked:
        asks.setdefault(chunk + 1, []).append(line)
    taken = drive(first, (), 300 * MS, asks=_obeyable(pacing, asks))
    script = [script_line(mark.at_ns, mark.order.command) for mark in taken.marks]
    again = drive(desk("causeway", f"traffic.pacing={pacing}"), script, 300 * MS)
    assert again.octets == taken.octets
    assert again.times == taken.times
    assert again.rows == taken.rows
    assert [(m.at_ns, m.octet, m.trigger) for m in again.marks] == [
        (m.at_ns, m.octet, m.trigger) for m in taken.marks
    ]


def _obeyable(pacing, asks):
    """Of commands those that a desk obeys when they come in this order."""
    from bench.base.errors import BenchError
    from bench.trial.drive.asked.script import read_line

    probe = desk("causeway", f"traffic.pacing={pacing}")
    kept: dict[int, list[str]] = {}
    for chunk in sorted(asks):
        for line in asks[chunk]:
            try:
                probe.ask(read_line(line))
            except BenchError:
                continue
            kept.setdefault(chunk, []).append(line)
    return kept


def test_a_hold_is_fill_where_the_line_is_packed():
    """While it holds, a packed line carries pads and nothing else, without a gap."""
    one = desk()
    taken = drive(one, ["at 50 ms hold", "at 120 ms go"])
    hold, go = taken.marks
    between = taken.octets[hold.octet : go.octet]
    assert set(between) == {0xFF}
    assert len(between) * 2500 >= 65 * MS
    assert not taken.rests
    assert not gaps(taken, one.profile.bus.pitch)


@pytest.mark.parametrize("pacing", ["timed", "flood"])
def test_a_hold_is_rest_elsewhere(pacing):
    """Where nothing fills the line, it idles, in chunks as short as a stop waits."""
    taken = drive(desk("causeway", f"traffic.pacing={pacing}"), ["at 50 ms hold"])
    (hold,) = taken.marks
    assert len(taken.octets) == hold.octet
    assert len(taken.rests) > 5
    held = [until for until in taken.rests if until > hold.at_ns]
    assert held[0] - hold.at_ns <= 20 * MS
    assert all(later - until == 20 * MS for until, later in pairwise(held))
    assert held[-1] >= 200 * MS


def test_timed_packets_come_after_rests_in_slices():
    """Far between packets, time passes in short chunks, and an order is soon obeyed."""
    one = desk("causeway", "traffic.pacing=timed", "traffic.frame_rate=1 Hz")
    taken = drive(one, ["at 400 ms set traffic.frame_rate=10 Hz"], 1000 * MS)
    (mark,) = taken.marks
    assert 400 * MS <= mark.at_ns <= 420 * MS
    starts = [row[4] for row in own_rows(taken)]
    assert sum(start < 400 * MS for start in starts) == 2
    assert sum(start > 420 * MS for start in starts) > 15


def test_one_packet_at_a_time():
    """Each order sends the next own packet, for the next node, and holds."""
    taken = drive(
        desk(), ["at 0 ms hold", *(f"at {k} ms packet" for k in (20, 60, 100))]
    )
    rows = own_rows(taken)
    assert [row[9] for row in rows] == [0, 1, 2]
    assert [row[4] // MS for row in rows] == [
        pytest.approx(k, abs=11) for k in (20, 60, 100)
    ]
    assert taken.source.holding


def test_what_is_ordered_together_is_done_in_turn():
    """An order that follows a packet's, or a trigger's, comes after that packet."""
    asked = ["hold", "packet", "packet", "trigger 3 ms", "up share", "go"]
    taken = drive(desk(), (), asks={2: asked})
    assert [mark.number for mark in taken.marks] == [1, 2, 3, 4, 5, 6]
    places = [mark.octet for mark in taken.marks]
    rows = [row for row in own_rows(taken) if row[2] >= places[0]]
    assert [row[2] for row in rows[:3]] == [
        places[1],
        places[2],
        taken.marks[3].trigger,
    ]
    assert places[2] == rows[0][2] + rows[0][3]
    assert places[4] == rows[2][2] + rows[2][3]


def test_one_frame_at_a_time():
    """The first order sends what is left of the frame, the next one a whole one."""
    taken = drive(
        desk(),
        ["at 0 ms hold", "at 10 ms packet", "at 40 ms frame", "at 100 ms frame"],
        250 * MS,
    )
    assert [row[9] for row in own_rows(taken)] == [0, 1, 2, 3, 0, 1, 2, 3]
    assert [row[1] for row in own_rows(taken)] == [0, 0, 0, 0, 1, 1, 1, 1]


def test_a_trigger_is_a_quiet_gap_and_the_next_packet_at_its_time():
    """The line rests for the gap at least, then the packet comes that was due."""
    one = desk("causeway", "traffic.dither=0")
    calm = drive(desk("causeway", "traffic.dither=0"))
    taken = drive(one, ["at 40 ms trigger 3 ms"])
    (mark,) = taken.marks
    ((at, gap_ns),) = gaps(taken, one.profile.bus.pitch)
    assert at == mark.trigger == mark.octet
    assert gap_ns >= 3 * MS
    first = next(row for row in taken.rows if row[2] == at)
    assert first[9] >= 0
    due = next(row[4] for row in own_rows(calm) if row[0] and row[4] >= mark.at_ns)
    assert first[4] == pytest.approx(max(due, mark.at_ns + 3 * MS), abs=100_000)


def test_a_trigger_while_holding_sends_one_packet():
    """A quiet gap of the usual length, one packet, and it holds again."""
    one = desk("causeway", "traffic.pacing=timed")
    taken = drive(one, ["at 0 ms hold", "at 60 ms trigger"])
    assert len(own_rows(taken)) == 1
    mark = taken.marks[1]
    start = own_rows(taken)[0][4]
    assert GAP_NS <= start - mark.at_ns <= GAP_NS + 20 * MS
    assert taken.source.holding


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        *product(["causeway", "slipway", "jetty"], ["check", "short", "address"]),
        ("causeway", "length"),  # the only one with a length field
    ],
)
def test_malformed_packets_are_no_packets_for_anybody(name, kind):
    """A receiver of the format finds every good packet, and no node's in a bad one."""
    one = desk(name, "traffic.foreign.share=0")
    profile = one.profile
    taken = drive(
        one, ["at 100 ms hold", f"at 120 ms bad {kind}", "at 140 ms go"], 400 * MS
    )
    decoder = Decoder(format_of(profile.packet), Resync.RESCAN)
    decoder.octets(bytes(taken.octets))
    decoder.finish()
    found = [event for event in decoder.events() if isinstance(event, Packet)]
    known = {node.address for node in profile.node}
    assert len(found) == len(taken.rows)
    strangers = [packet for packet in found if packet.address not in known]
    assert len(strangers) == (kind == "address")


def test_a_malformed_packet_breaks_the_line_as_its_framing_does():
    """Where a break begins packets, it begins a malformed one too."""
    one = desk("dmx512")
    taken = drive(one, ["at 0 ms hold", "at 60 ms bad short"])
    breaks = [flaw for flaw in taken.flaws if flaw[2] == Flaw.BREAK]
    assert breaks
    assert all(ns == one.profile.packet.break_ns for _, ns, _ in breaks)
    assert not taken.rows


def test_it_ends_at_a_packet_s_end():
    """A stop lets the packet under way end, and nothing follows it."""
    stops = iter([None] * 9 + [15] * 100)
    taken = drive(
        desk("causeway", "bus.baud=115200"), (), None, stop=lambda: next(stops)
    )
    last = max(row[2] + row[3] for row in taken.rows)
    assert set(taken.octets[last:]) <= {0xFF}
    assert taken.source.over == "stopped"


def test_a_relink_ends_it():
    """A new baud is not this link's business."""
    one = desk()
    taken = drive(one, ["at 50 ms set bus.baud=1 Mbaud"])
    assert taken.source.relinks()
    assert taken.marks[-1].order.profile.bus.baud == 1_000_000
    assert taken.marks[-1].octet == len(taken.octets)


def test_a_schedule_goes_on_from_a_place():
    """Cut at any packet, two schedules are the one, where no draw tells them apart."""
    profile = desk("causeway", "traffic.foreign.share=0", "traffic.dither=0").profile
    whole = Schedule(profile, seed=3).take(60_000)[0].octets
    for cut in (1, 50, 5000, 20_000, 33_333):
        one = Schedule(profile, seed=3)
        head = one.take(cut)[0].octets
        assert isinstance(one.place, Place)
        tail = Schedule(profile, seed=3, begin=one.place).take(60_000)[0].octets
        assert np.array_equal(np.concatenate([head, tail])[:60_000], whole)
