"""Marks in a terminal's input: taken apart at any cut, into what was received."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.columns import Flaw
from bench.link.ports.line.marks import Marks

# The three rules of termios (POSIX.1, General Terminal Interface, PARMRK), from the
# side of the terminal that writes them.
SOUND, FLAWED, BREAK = "sound", "flawed", "break"

CHARACTERS = st.one_of(
    st.tuples(st.just(SOUND), st.one_of(st.integers(0, 255), st.just(0xFF))),
    st.tuples(st.just(FLAWED), st.integers(1, 255)),
    st.tuples(st.just(BREAK), st.just(0)),
)


def marked(characters) -> bytes:
    """What a terminal writes for characters, by the rules."""
    out = bytearray()
    for kind, octet in characters:
        if kind == SOUND:
            out += b"\xff\xff" if octet == 0xFF else bytes((octet,))
        else:
            out += bytes((0xFF, 0x00, octet))
    return bytes(out)


def expected(characters, flaw):
    """Octets, and pairs of an index and a flaw."""
    octets = bytes(octet for _, octet in characters)
    kinds = {FLAWED: int(flaw), BREAK: int(Flaw.BREAK)}
    flaws = [
        (k, kinds[kind]) for k, (kind, _) in enumerate(characters) if kind in kinds
    ]
    return octets, flaws


@given(
    st.lists(CHARACTERS, max_size=60),
    st.lists(st.integers(0, 200), max_size=8),
    st.sampled_from([Flaw.FRAMING, Flaw.PARITY]),
)
def test_any_cut_gives_what_was_received(characters, cuts, flaw):
    """However reads cut the stream, octets and flaws are those of the characters."""
    raw, marks = marked(characters), Marks(flaw)
    places = sorted({0, len(raw), *(cut for cut in cuts if cut < len(raw))})
    octets, flaws = b"", []
    for begin, end in pairwise(places):
        piece, found = marks.feed(raw[begin:end])
        flaws += [(len(octets) + at, kind) for at, kind in found]
        octets += piece
    assert (octets, flaws) == expected(characters, flaw)
    assert marks.flawed == sum(kind == FLAWED for kind, _ in characters)
    assert marks.breaks == sum(kind == BREAK for kind, _ in characters)


@given(st.binary(max_size=200))
def test_any_octets_at_all_are_taken(raw):
    """Nothing that comes throws, loses count, or holds more than a mark back."""
    marks = Marks()
    octets, flaws = marks.feed(raw)
    assert len(octets) <= len(raw)
    assert all(0 <= at < len(octets) for at, _ in flaws)
    assert 3 * len(flaws) <= len(raw)


@given(st.binary(max_size=100).filter(lambda raw: 0xFF not in raw))
def test_octets_without_marks_are_themselves(raw):
    """The usual case goes through untouched."""
    assert Marks().feed(raw) == (raw, ())


def test_a_mark_that_no_terminal_writes_is_an_octet():
    """FFh and neither FFh nor 00h behind it: marks were off then; it is counted."""
    marks = Marks()
    assert marks.feed(b"\xff\x41\x42") == (b"\xffAB", ())
    assert marks.strange == 1


@pytest.mark.parametrize("octet", [0, 1, 0xFF])
def test_a_ninth_bit_is_told_as_an_address(octet):
    """Where a wrong parity bit is the ninth bit, even 00h is an address, no break."""
    marks = Marks(Flaw.ADDRESS)
    assert marks.feed(bytes((0xFF, 0, octet))) == (
        bytes((octet,)),
        ((0, int(Flaw.ADDRESS)),),
    )
