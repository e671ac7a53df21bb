"""The link with an upset on it: chunks, places, resets, and nodes that are off."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from unit.trial.upset.tries import marker

from bench.base.columns import DROPPED, LOST, SHOWN, Line, Seen, no_octets, no_rows
from bench.link.observes import EVERYTHING
from bench.trial.upset.line import Hearing
from bench.trial.upset.link import UpsetLink, in_one
from bench.trial.upset.traffic import Own, Traffic, match
from bench.wire.waveform import Track

if TYPE_CHECKING:
    from bench.trial.upset.line import Heard


class Written:
    """A link that writes down what it is given, and says what it is told to say."""

    name = "written"
    observes = EVERYTHING

    def __init__(self) -> None:
        self.calls: list[tuple[str, int, int, int]] = []
        self.octets = b""
        self.says: list[Seen] = []
        self.open = True

    def carry(self, line: Line) -> Seen:
        """See `Link`."""
        self.calls.append(("carry", line.first, len(line.octets), line.until_ns))
        self.octets += line.octets.tobytes()
        if self.says:
            return self.says.pop(0)
        return nothing(line.until_ns)

    def reset(self, at_ns: int, nodes: object = None) -> None:
        """See `ResettableLink`."""
        del nodes
        self.calls.append(("reset", 0, 0, at_ns))

    def close(self) -> None:
        """See `Link`."""
        self.open = False


def nothing(until_ns: int) -> Seen:
    """A chunk in which no node did anything."""
    return Seen(no_rows(SHOWN), no_octets(), no_rows(DROPPED), no_rows(LOST), until_ns)


def traffic() -> Traffic:
    """Some frames of the small profile."""
    return Traffic(marker(), 3, 30_000_000)


def chunks(whole: Traffic, cuts: list[int]) -> list[Line]:
    """The line in chunks that end at some of its characters."""
    track = whole.track
    lines, at = [], 0
    for cut in [*cuts, len(track)]:
        part = track.part(at, cut)
        until_ns = whole.line.until_ns
        if cut < len(track):
            until_ns = track.start_ns(cut)
        lines.append(Line(part.octets, part.runs, part.flaws, at, until_ns))
        at = cut
    return lines


def carried(heard: Heard, lines: list[Line]) -> Written:
    """What comes out at the other end of an upset."""
    inner = Written()
    link = UpsetLink(inner, heard, [32, 32])
    for line in lines:
        link.carry(line)
    link.carry(Line(no_octets(), lines[-1].runs[:0], lines[-1].flaws[:0], 0, 10**10))
    return inner


@pytest.mark.parametrize("cuts", [[], [40, 41, 90], [200]])
def test_any_chunks(cuts: list[int]) -> None:
    """However the line as sent is cut, nodes hear the same, each character once."""
    whole = traffic()
    heard = Hearing(whole.track, marker().bus).held(0, 7_012_345, 12_345_678)
    inner = carried(heard, chunks(whole, cuts))
    assert inner.octets == heard.track.line.octets.tobytes()
    places = [(first, first + count) for _, first, count, _ in inner.calls]
    assert places[0][0] == 0
    assert all(a[1] == b[0] for a, b in pairwise(places))


def test_a_reset_comes_at_its_instant() -> None:
    """The nodes hear what starts before it, are reset, and hear the rest."""
    whole = traffic()
    heard = Hearing(whole.track, marker().bus).begun(9_003_000, off=False)
    inner = carried(heard, chunks(whole, [30]))
    at = [call[0] for call in inner.calls].index("reset")
    assert inner.calls[at] == ("reset", 0, 0, 9_003_000)
    assert inner.calls[at - 1][3] == 9_003_000
    assert inner.octets == heard.track.line.octets.tobytes()


def test_nodes_that_are_off_do_nothing() -> None:
    """Whatever they are said to have shown before they were switched on is dropped."""
    whole = traffic()
    heard = Hearing(whole.track, marker().bus).begun(9_003_000, off=True)
    inner = Written()
    early = np.array([(100, 100, 200, 300, 32, 0, 4, 0, 0, 0)], SHOWN)
    cut = np.array(
        [(8_999_000, 8_999_000, 9_003_000, 9_013_000, 4, 0, 4, 1, 0, 0)], SHOWN
    )
    octets = np.zeros(4, np.uint8)
    inner.says = [
        Seen(early, octets, no_rows(DROPPED), no_rows(LOST), 9_003_000),
        Seen(cut, octets, no_rows(DROPPED), no_rows(LOST), whole.line.until_ns),
    ]
    link = UpsetLink(inner, heard, [32, 32])
    seen = link.carry(whole.line)
    assert not len(seen.shown)
    assert not len(link.halves)


def test_bursts_that_a_reset_cut_off_are_kept_apart() -> None:
    """Fewer clocks than a burst has, or a runt at that instant: the judge sees none."""
    whole = traffic()
    ns = 9_003_000
    heard = Hearing(whole.track, marker().bus).begun(ns, off=False)
    rows = [
        (ns - 50_000, 0, ns - 18_000, ns - 8_000, 32, 0, 1, 0, 0, 0),  # was out
        (ns - 9_000, 0, ns, ns + 10_000, 9, 1, 1, 0, 0, 0),  # cut
        (ns - 32_000, 0, ns, ns + 10_000, 32, 2, 1, 1, 1, 0),  # cut in its last clock
        (ns + 50_000, 0, ns + 82_000, ns + 92_000, 31, 3, 1, 1, 0, 0),  # a real fault
    ]
    inner = Written()
    after = Seen(
        np.array(rows, SHOWN),
        np.arange(4, dtype=np.uint8),
        no_rows(DROPPED),
        no_rows(LOST),
        whole.line.until_ns,
    )
    inner.says = [nothing(ns), after]
    link = UpsetLink(inner, heard, [32, 32])
    seen = link.carry(whole.line)
    assert [int(row["data_at"]) for row in seen.shown] == [0, 3]
    assert [int(row["data_at"]) for row in link.halves] == [1, 2]


def test_places_are_those_of_the_line_as_it_was_sent() -> None:
    """What a node says of a character is put where that stands in the schedule."""
    whole = traffic()
    track = whole.track
    heard = Hearing(track, marker().bus).silent(track.start_ns(50), track.start_ns(80))
    inner = Written()
    dropped = np.array([(0, 40, 60, 0, 1), (0, 10, 20, 1, 1)], DROPPED)
    lost = np.array([(49, 0, 0, 0), (50, 0, 0, 0), (51, 0, 1, 0)], LOST)
    until_ns = whole.line.until_ns
    inner.says = [Seen(no_rows(SHOWN), no_octets(), dropped, lost, until_ns)]
    seen = UpsetLink(inner, heard, [32, 32]).carry(whole.line)
    assert list(seen.lost["at"]) == [49, 80, 81]
    assert list(seen.dropped["first"]) == [40, 10]
    assert list(seen.dropped["end"]) == [90, 20]


def test_it_is_the_link_below() -> None:
    """Its name and what it sees are the other's, and it is closed with it."""
    whole = traffic()
    heard = Hearing(whole.track, marker().bus).undisturbed()
    inner = Written()
    with UpsetLink(inner, heard, [32, 32]) as link:
        assert (link.name, link.observes) == ("written", EVERYTHING)
    assert not inner.open


def test_chunks_in_one() -> None:
    """Rows of several chunks point into their data, put together."""
    row = np.array([(0, 0, 0, 0, 0, 0, 2, 0, 0, 0)], SHOWN)
    part = Seen(row, np.array([1, 2], np.uint8), no_rows(DROPPED), no_rows(LOST), 5)
    whole = in_one([part, nothing(6), part])
    assert list(whole.shown["data_at"]) == [0, 2]
    assert whole.until_ns == 5
    assert in_one([], 9).until_ns == 9


def test_traffic_is_the_schedule() -> None:
    """All of it in one piece, the packets of each node in their order."""
    whole = traffic()
    assert isinstance(whole.track, Track)
    rows = whole.sent.rows
    assert list(rows["packet"]) == list(range(len(rows)))
    mine = rows[rows["to"] == 0]
    from bench.node.spec import node_specs

    owns = whole.own(node_specs(marker())[0])
    assert [own.packet for own in owns] == list(mine["packet"])
    assert [own.end_ns for own in owns] == list(mine["last_bit_ns"])
    at = int(mine["payload_at"][1])
    assert owns[1].data == whole.sent.payload[at : at + 16].tobytes()


# --- which burst shows which packet ---------------------------------------------------


def own(packet: int, begin_ns: int, data: bytes) -> Own:
    """A packet that takes 100 us."""
    return Own(packet, begin_ns, begin_ns + 100_000, begin_ns + 100_000, data)


def bursts(*rows: tuple[int, bytes]) -> tuple[np.ndarray, bytes]:
    """Bursts at some instants, and what they held."""
    data = b"".join(held for _, held in rows)
    at, made = 0, []
    for ns, held in rows:
        made.append((ns, ns, ns + 10, ns + 20, 8, at, len(held), 0, 0, 0))
        at += len(held)
    return np.array(made, SHOWN), data


def test_the_last_one_alike_is_shown() -> None:
    """Of packets that hold the same, the last one that had come."""
    owns = [own(0, 0, b"a"), own(1, 200_000, b"b"), own(2, 400_000, b"a")]
    shown, data = bursts((310_000, b"b"), (510_000, b"a"), (700_000, b"c"))
    assert match(owns, shown, data, 0) == [2]
    assert [one.shown_ns for one in owns] == [None, 310_020, 510_020]


def test_nothing_is_shown_before_it_came() -> None:
    """But for a stop bit; and an upset may have made it come sooner."""
    shown, data = bursts((95_000, b"a"))
    assert match([own(0, 0, b"a")], shown, data, 4_999) == [0]
    assert match([own(0, 0, b"a")], shown, data, 5_000) == []
    assert match([own(0, 0, b"a")], shown, data, 0, (90_000, 200_000)) == []
    assert match([own(0, 0, b"a")], shown, data, 0, (100_000, 200_000)) == [0]


def test_a_packet_is_shown_once() -> None:
    """A second burst with the same is another's, or nobody's."""
    shown, data = bursts((110_000, b"a"), (120_000, b"a"))
    assert match([own(0, 0, b"a")], shown, data, 0) == [1]
