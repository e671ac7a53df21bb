"""Columns that forget their front, and what stays of the line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from unit.judge.rig import EBB, FOREIGN, Rig, payload

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, no_rows
from bench.judge.kept.history import History, Tail
from bench.judge.kept.terms import unwrapping
from bench.profile.load import load_profile
from bench.wire.format import format_of
from bench.wire.packets import build, encode


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 3000)), max_size=30))
def test_places_stay_valid(steps: list[tuple[bool, int]]) -> None:
    """An item is found at its place until it is forgotten, whatever moved meanwhile."""
    tail: Tail[np.int64] = Tail(np.int64)
    for grow, size in steps:
        if grow:
            tail.append(np.arange(tail.end, tail.end + size))
        else:
            tail.forget(tail.first + size)
        kept = tail.view
        assert kept.tolist() == list(range(tail.first, tail.end))


def test_room_follows_what_is_kept() -> None:
    """A column that forgets as fast as it grows stays as small as it is."""
    tail: Tail[np.uint8] = Tail(np.uint8)
    for _ in range(1000):
        tail.append(np.zeros(700, np.uint8))
        tail.forget(tail.end - 50)
    assert len(tail._store) <= 2048


def history(rig: Rig) -> History:
    """The history of all that a rig sends."""
    kept = History(unwrapping(format_of(rig.profile.packet)))
    for line, sent, _ in rig.chunks(range(0, rig.end_ns, 50_000)):
        kept.add(line, sent)
    return kept


def test_a_packet_to_come_may_have_begun() -> None:
    """After a chunk that ended inside a packet, the next one begins where that did."""
    rig = Rig()
    kept = History(unwrapping(format_of(rig.profile.packet)))
    assert kept.first_character(0) == 0
    for k in range(2):
        rig.send(EBB, payload(k), k)
    cut_ns = rig.now_ns - 25_000
    line, sent, _ = next(iter(rig.chunks([cut_ns])))
    assert len(line.octets) > 24
    kept.add(line, sent)
    assert kept.rows.end == 1
    assert kept.first_character(0) == 0
    assert kept.first_character(1) == 24


def test_what_packets_carry() -> None:
    """Our payloads are kept, those of others are read off the line."""
    rig = Rig()
    for k in range(6):
        rig.send(FOREIGN if k % 2 else EBB, payload(k), k)
    kept = history(rig)
    assert [kept.contents(k) for k in range(6)] == [payload(k) for k in range(6)]
    assert kept.characters(2).tobytes() == encode(
        format_of(rig.profile.packet),
        build(format_of(rig.profile.packet), address=2, payload=payload(2)),
    )


def test_forgets_all_but_the_packets_just_before() -> None:
    """Three packets before the first that matters stay, to be shown beside it."""
    rig = Rig()
    for k in range(10):
        rig.send(EBB, payload(k), k)
    kept = history(rig)
    kept.forget(rig.sent[6][5])
    assert kept.rows.first == 3
    assert kept.contents(6) == payload(6)
    assert len(kept.before(6)) == 3
    assert len(kept.before(4)) == 1
    assert kept.payload.first == 3 * 16
    assert kept.first_frame(rig.sent[6][5]) == 6


def test_a_line_that_begins_anywhere() -> None:
    """Characters before the first chunk are not there, and are not made up."""
    rows = np.zeros(1, SENT)
    rows["first"], rows["octets"], rows["payload_at"] = 98, 4, -1
    octets = np.frombuffer(b"abc", np.uint8)
    line = Line(octets, np.zeros(1, RUN), no_rows(FLAW), 100, 0)
    kept = History(lambda characters: characters)
    kept.add(line, Sent(rows, octets[:0]))
    assert kept.characters(0).tobytes() == b""
    assert kept.contents(0) == b""


@pytest.mark.parametrize("framing", ["cobs", "slip", "hdlc", "break", "silence"])
def test_payload_out_of_every_framing(framing: str) -> None:
    """The payload is found under stuffing, delimiters and breaks."""
    profile = load_profile("causeway")
    fields = profile.packet.fields[1:]
    packet = profile.packet.model_copy(update={"framing": framing, "fields": fields})
    form = format_of(packet)
    carried = bytes(range(256)) + b"\xc0\xdb\x7d\x7e\x00\x00"
    line = encode(form, build(form, address=1, payload=carried))
    if framing == "break":
        line = b"\x00" + line
    assert unwrapping(form)(line) == carried
    assert unwrapping(form)(b"\x01") is None
