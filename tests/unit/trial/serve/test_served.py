"""The served nodes: what arrives is shown and told as the simulated link has it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.trial.serve.rig import MS, START_NS, parsed, rig, serve, traffic

from bench.base.columns import FLAW, RUN, Line, no_rows
from bench.base.errors import ProfileError
from bench.node.link import SimulatedLink
from bench.profile import load_profile
from bench.trial.serve.served import LEAST_QUEUE, QUEUE_NS, Served
from bench.trial.serve.told import MOST_WAITING, NOT_TOLD, Queue


def by_the_link(profile, heaps):
    """The rows of a simulated link that hears each heap at its instant."""
    octets = b"".join(octets for _, octets in heaps)
    runs, free, first = [], -1, 0
    for at_ns, heap in heaps:
        if at_ns > free:
            runs.append((first, at_ns, 0))
            free = at_ns
        free += 2500 * len(heap)
        first += len(heap)
    line = Line(
        np.frombuffer(octets, np.uint8),
        np.array(runs, RUN),
        no_rows(FLAW),
        0,
        heaps[-1][0] + 200 * MS,
    )
    with SimulatedLink(profile, seed=5) as link:
        return link.carry(line)


@pytest.mark.parametrize("slice_ns", [5 * MS, 70 * MS])
def test_lines_are_the_rows_of_the_link(slice_ns):
    """Every burst with its octets, clocks and times; in slices of any length."""
    profile = rig()
    heaps = traffic(profile, 12)
    seen = by_the_link(profile, heaps)
    served = Served(profile, seed=5)
    told = serve(served, heaps, slice_ns=slice_ns)
    expected = {
        (
            profile.node[row["node"]].address,
            seen.data[row["data_at"] :][: row["data_octets"]].tobytes(),
            *(int(row[name]) for name in ("clocks", "burst_ns", "first_bit_ns")),
            *(int(row[name]) for name in ("end_ns", "shown_ns", "marginal")),
        )
        for row in seen.shown
    }
    assert len(expected) == 12
    assert {word for word, _ in told} == {"shown"}
    found = [
        (
            int(values["node"]),
            bytes.fromhex(values["octets"]),
            *(int(values[key]) for key in ("clocks", "burst", "first")),
            *(int(values[key]) for key in ("end", "shown", "marginal")),
        )
        for _, values in told
    ]
    assert len(found) == 12
    assert set(found) == expected
    figures = served.figures(START_NS + 200 * MS)
    assert {name: one.shown for name, one in figures.nodes.items()} == {
        node.name: 3 for node in profile.node
    }


@given(st.lists(st.integers(1, 9_000_000), min_size=1, max_size=20))
@settings(max_examples=30, deadline=None)
def test_slices_end_anywhere(slices):
    """Slices that end inside of characters give the lines of the whole."""
    profile = load_profile("causeway", ["traffic.foreign.share=0"])
    octets = b"".join(octets for _, octets in traffic(profile, 3))
    whole, cut = Served(profile, seed=5), Served(profile, seed=5)
    for served in (whole, cut):
        served.arrive(octets, START_NS)
    now_ns = START_NS
    for slice_ns in slices:
        now_ns += slice_ns
        cut.play(now_ns)
    for served in (whole, cut):
        served.play(START_NS + 300 * MS)
    lines = [parsed(bytes(one.queue.due(START_NS + 300 * MS))) for one in (whole, cut)]
    assert len(lines[0]) == 3
    assert sorted(lines[0], key=repr) == sorted(lines[1], key=repr)


def test_a_late_heap_makes_the_wire_idle():
    """Half of a packet 40 us late: idle time is counted, and the packet still shown."""
    profile = rig()
    ((_, octets),) = traffic(profile, 1)
    half = len(octets) // 2
    served = Served(profile)
    told = serve(served, [(0, octets[:half]), (half * 2500 + 40_000, octets[half:])])
    assert [word for word, _ in told] == ["shown"]
    figures = served.figures(START_NS + half * 2500 + 40_000)
    assert (figures.gaps, figures.longest_idle_ns) == (1, 40_000)
    assert figures.idle_ns == 40_000
    assert figures.characters == len(octets)


def test_a_bad_check_is_told_as_dropped():
    """A spoilt packet is dropped with its reason, by the node that it was for."""
    profile = rig()
    heaps = traffic(profile, 2)
    spoilt = bytearray(heaps[0][1])
    spoilt[20] ^= 0x40
    served = Served(profile)
    told = serve(served, [(heaps[0][0], bytes(spoilt)), heaps[1]])
    address = {node.address for node in profile.node}
    dropped = [values for word, values in told if word == "dropped"]
    assert {values["reason"] for values in dropped} == {"bad-check"}
    assert {int(values["node"]) for values in dropped} <= address
    assert len([word for word, _ in told if word == "shown"]) == 1
    counts = served.figures(START_NS + 200 * MS).nodes.values()
    assert sum(one.dropped["bad-check"] for one in counts) == len(dropped)
    assert sum(one.dropped.total() for one in counts) == len(dropped)


def test_lost_characters_are_told():
    """A bus that is three times too fast: the characters that receivers lose."""
    profile = rig("bus.baud=12 Mbaud")
    served = Served(profile)
    told = serve(served, traffic(profile, 8))
    lost = [int(values["characters"]) for word, values in told if word == "lost"]
    counts = served.figures(START_NS + 200 * MS).nodes.values()
    assert sum(lost) == sum(one.lost for one in counts) > 0


def test_times_begin_anew_with_somebody_new():
    """A second visitor's times count from his own first character, as the first's."""
    profile = rig()
    heaps = traffic(profile, 4)
    served = Served(profile, seed=5)
    served.opened()
    first = serve(served, heaps)
    served.closed()
    served.opened()
    again = serve(served, heaps, start_ns=START_NS + 10_000 * MS)
    assert len(first) == len(again) == 4
    for (_, before), (_, after) in zip(first, again, strict=True):
        assert before["octets"] == after["octets"]
        # Its random delays differ; they are far shorter than this.
        assert abs(int(before["shown"]) - int(after["shown"])) < 5_000


def test_a_visitor_hears_nothing_of_the_one_before():
    """What nodes still do about earlier characters is counted and not told."""
    profile = rig()
    heaps = traffic(profile, 1)
    served = Served(profile)
    served.opened()
    served.arrive(heaps[0][1], START_NS)
    served.play(START_NS + 2500 * len(heaps[0][1]) - 1)
    served.closed()
    served.opened()
    served.play(START_NS + 100 * MS)
    assert served.queue.due(START_NS + 100 * MS) == b""
    served.arrive(b"\xff", START_NS + 101 * MS)
    served.play(START_NS + 300 * MS)
    assert served.queue.due(START_NS + 300 * MS) == b""
    counts = served.figures(START_NS + 300 * MS).nodes.values()
    assert sum(one.shown for one in counts) == 1


def test_silent_nodes_are_counted_and_not_told():
    """Without sighting lines everything else is the same."""
    profile = rig()
    served = Served(profile, silent=True)
    assert serve(served, traffic(profile, 4)) == []
    counts = served.figures(START_NS + 200 * MS).nodes.values()
    assert sum(one.shown for one in counts) == 4


@pytest.mark.parametrize(("baud", "most"), [("4 Mbaud", 8000), ("19.2 kbaud", 64)])
def test_room_is_what_the_queue_holds(baud, most):
    """20 ms of the line are taken in ahead, and a few characters of a slow one."""
    served = Served(rig(f"bus.baud={baud}"))
    assert served.room == most >= LEAST_QUEUE
    assert QUEUE_NS == 20 * MS
    served.arrive(bytes(10), START_NS)
    assert served.room == most - 10
    served.arrive(bytes(most), START_NS)
    assert served.room == 0
    served.play(START_NS + 10**9)
    assert served.room == most


def test_nothing_happens_before_the_first_octet():
    """No time passes for nodes that nobody has talked to yet."""
    served = Served(rig())
    served.play(START_NS)
    assert served.figures(START_NS).spent_ns == 0
    assert served.figures(START_NS).idle_ns == 0


def test_a_profile_that_is_observed_otherwise_can_be_served():
    """How somebody's bench is to see the nodes is nothing to the nodes."""
    profile = rig("observe.by=lines")
    assert profile.node[0].observe.by == "lines"
    assert len(serve(Served(profile), traffic(rig(), 4))) == 4


@pytest.mark.parametrize(("profile", "framing"), [("dmx512", "break")])
def test_what_no_pty_can_carry_is_refused(profile, framing):
    """A break is no octet: one line that says so."""
    with pytest.raises(ProfileError) as refused:
        Served(load_profile(profile))
    (fault,) = refused.value.faults
    assert (fault.value, fault.where) == (framing, "packet.framing")


# --- the queue ------------------------------------------------------------------------


def test_lines_wait_until_they_are_due():
    """None is told early, and what was taken is not told again."""
    queue = Queue()
    queue.put([b"one\n"], 10)
    queue.put([b"two\n", b"three\n"], 20)
    assert queue.due(9) == b""
    assert queue.due(10) == b"one\n"
    queue.taken(2)
    assert queue.due(20) == b"e\ntwo\nthree\n"


def test_what_is_not_taken_is_counted_and_said():
    """Lines past the bound are given up whole; the next to read is told how many."""
    queue = Queue()
    line = b"x" * 1023 + b"\n"
    queue.put([line] * (MOST_WAITING // 1024 + 3), 0)
    assert queue.not_told == 3
    due = bytes(queue.due(0))
    assert due.count(b"\n") == MOST_WAITING // 1024
    queue.taken(len(due))
    assert parsed(bytes(queue.due(0))) == [("status", {NOT_TOLD: "3"})]
    queue.taken(len(queue.due(0)))
    queue.put([b"next\n"], 0)
    assert queue.due(0) == b"next\n"


def test_nobody_gets_what_was_for_another():
    """After somebody has gone nothing of his waits."""
    queue = Queue()
    queue.put([b"one\n"], 0)
    queue.due(0)
    queue.put([b"two\n"], 5)
    queue.clear()
    assert queue.due(10) == b""
