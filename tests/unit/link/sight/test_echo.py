"""Only what matches what was sent is taken away, whatever reads it came in."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.link.sight.echo import Echo, aligned

CASES = Path(__file__).parents[3] / "cases"
TEXT = (CASES / "A10_echo.toml").read_text(encoding="utf-8")
EXCHANGES = {one["id"]: one for one in tomllib.loads(TEXT)["exchange"]}

MS = 1_000_000
WINDOW_NS = 50 * MS
OCTET_NS = 86_806  # 115.2 kbaud


def rest_of(sent: list[bytes], heard: list[tuple[bytes, int]]) -> tuple[bytes, Echo]:
    """What is left of what was heard; runs are sent one after the other."""
    echo, start_ns = Echo(WINDOW_NS), 0
    for octets in sent:
        end_ns = start_ns + len(octets) * OCTET_NS
        echo.sent(octets, start_ns, end_ns)
        start_ns = end_ns + MS
    for octets, at_ns in heard:
        echo.heard(octets, at_ns)
    left = echo.rest(10**12)
    return bytes(octet for octet, _ in left), echo


def cut(octets: bytes, places: list[int]) -> list[bytes]:
    """Octets in the pieces between some places."""
    edges = [0, *sorted(place % (len(octets) + 1) for place in places), len(octets)]
    return [octets[a:b] for a, b in pairwise(edges)]


EXPECTED: dict[str, dict[str, Any]] = {
    "plain": {"reply": "5A 07 01 99 FB", "verified": 7},
    "two-requests-one-read": {"reply": "5A 02 00 58", "verified": 8},
    "echo-expected-but-absent": {"reply": "5A 0C 02 00 54", "missing": 1},
    "nothing-after-echo": {"reply": "", "verified": 4},
}


@pytest.mark.parametrize("name", EXPECTED)
@given(places=st.lists(st.integers(0, 40), max_size=12))
def test_exchanges(name, places):
    """Case A10, in any reads: the reply alone is left, and a missing echo is said."""
    exchange, expected = EXCHANGES[name], EXPECTED[name]
    sent = [bytes.fromhex(text) for text in exchange["tx"]]
    octets = b"".join(bytes.fromhex(text) for text in exchange["rx_chunks"])
    heard = [(piece, 5 * MS) for piece in cut(octets, places)]
    left, echo = rest_of(sent, heard)
    assert left == bytes.fromhex(expected["reply"])
    assert echo.counts.verified == expected.get("verified", 0)
    assert echo.counts.missing == expected.get("missing", 0)
    assert echo.counts.collisions == echo.counts.overruns == 0
    said = echo.evidence().void
    assert ("echo missing" in "".join(said)) == ("missing" in expected)


def test_the_one_without_echo_is_all_of_the_cases():
    """Case A10 has five exchanges; the fifth, without echo, is in the reply tests."""
    assert set(EXCHANGES) == {*EXPECTED, "reply-looks-like-request"}


REQUEST = bytes.fromhex("A5 07 03 10 20 30 6C")
REPLY = bytes.fromhex("5A 07 01 99 FB")


def test_collision():
    """One octet comes back changed: it is left, and told apart from a loss."""
    echoed = REQUEST[:3] + b"\x52" + REQUEST[4:]
    left, echo = rest_of([REQUEST], [(echoed + REPLY, MS)])
    assert left == b"\x52" + REPLY
    counts = echo.counts
    assert (counts.verified, counts.collisions, counts.collided) == (6, 1, 1)
    assert counts.overruns == counts.late_octets == counts.missing == 0
    (said,) = echo.evidence().void
    assert said == (
        "collision: 1 octet came back changed in 1 of 1 runs; somebody else drove the "
        "bus"
    )


def test_first_octet_lost():
    """An adapter that turns round too slowly loses the first octet of its echo."""
    left, echo = rest_of([REQUEST], [(REQUEST[1:] + REPLY, MS)])
    assert left == REPLY
    assert (echo.counts.late, echo.counts.late_octets) == (1, 1)
    assert echo.counts.collisions == echo.counts.overruns == 0
    evidence = echo.evidence()
    assert evidence.void == ()
    assert evidence.notes == (
        "the adapter heard 1 of 1 runs late: 1 octet missing at the start",
    )


def test_overrun():
    """Octets missing from the middle were lost on this side."""
    left, echo = rest_of([REQUEST * 3], [((REQUEST * 3)[:9], MS)])
    assert left == b""
    assert (echo.counts.overrun, echo.counts.overruns) == (1, 12)
    octets = bytes(range(40))
    left, echo = rest_of([octets], [(octets[:20] + octets[26:] + REPLY, MS)])
    assert left == REPLY
    assert (echo.counts.overrun, echo.counts.overruns) == (1, 6)
    assert echo.counts.collisions == echo.counts.late == 0
    assert "lost 6 octets" in echo.evidence().notes[0]


def test_a_reply_before_the_next_echo():
    """What a node says between two runs belongs to neither."""
    heard = [(REQUEST, MS), (REPLY, 2 * MS), (REQUEST[::-1], 3 * MS)]
    left, echo = rest_of([REQUEST, REQUEST[::-1]], heard)
    assert left == REPLY
    assert echo.counts.verified == 14


def test_one_missing_among_many():
    """A run that never came back does not cost the echo of those after it."""
    runs = [bytes([k, *REQUEST]) for k in range(10)]
    heard = [(run, 2 * MS * k + MS) for k, run in enumerate(runs) if k != 4]
    left, echo = rest_of(runs, heard)
    assert left == b""
    assert echo.counts.missing == 1
    assert echo.counts.verified == 9 * 8


@given(
    runs=st.lists(st.binary(min_size=1, max_size=12), min_size=1, max_size=4),
    heard=st.lists(st.tuples(st.binary(max_size=12), st.integers(0, 20)), max_size=8),
    data=st.data(),
)
def test_reads_and_calls_do_not_matter(runs, heard, data):
    """The same octets at the same instants: the same is left, and counted."""
    heard = sorted(((o, ms * 10 * MS) for o, ms in heard), key=lambda one: one[1])
    whole, all_at_once = rest_of(runs, heard)
    echo, start_ns, left = Echo(WINDOW_NS), 0, []
    for octets in runs:
        end_ns = start_ns + len(octets) * OCTET_NS
        echo.sent(octets, start_ns, end_ns)
        start_ns = end_ns + MS
    for octets, at_ns in heard:
        if data.draw(st.booleans()):
            left += echo.rest(at_ns)
        for piece in cut(octets, data.draw(st.lists(st.integers(0, 12), max_size=3))):
            echo.heard(piece, at_ns)
    left += echo.rest(10**12)
    assert bytes(octet for octet, _ in left) == whole
    assert echo.counts == all_at_once.counts


@given(sent=st.binary(min_size=1, max_size=40), more=st.binary(max_size=8))
def test_whatever_is_echoed_whole_is_taken(sent, more):
    """A perfect echo is taken to the octet."""
    left, echo = rest_of([sent], [(sent + more, MS)])
    assert left == more
    assert echo.counts.verified == len(sent)


@given(sent=st.binary(max_size=30), heard=st.binary(max_size=30))
def test_alignment_adds_up(sent, heard):
    """Octets of a run are matched, changed or missing; those heard are used once."""
    found = aligned(sent, heard)
    assert found.matched + len(found.changed) + found.late + found.gone == len(sent)
    assert found.used == found.matched + len(found.changed) <= len(heard)
