"""The file of a case: what is written is read again, and damage is always noticed."""

from __future__ import annotations

from contextlib import suppress
from zlib import crc32

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import UsageError
from bench.fuzz.corpus import Kept, case_text, kept_of
from bench.fuzz.corpus.text import one_line
from bench.fuzz.shrink import Rate

KEPT = Kept(
    profile="causeway",
    sets=("output.clock=2 MHz",),
    digest="0f" * 16,
    seed=7,
    number=1234,
    before=1,
    around="after fill",
    rows=(("length-zero", 2, 0), ("noise", -1, 2**40)),
    attack="length-zero",
    oracle="alive",
    rate=Rate(5, 5),
    text="ebb shows nothing any more",
    send=("a packet for ebb whose length field is 0",),
    octets=("A5 5A 02 00 00",),
    should="show the next packet but 3",
    did="show none of 14",
)

FILE = """\
nightbench case 1
profile causeway
set output.clock=2 MHz
digest 0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f
seed 7
number 1234
before 1
around after fill
attack length-zero
oracle alive
row length-zero 2 0
row noise -1 1099511627776
rate 5 of 5
text ebb shows nothing any more
send a packet for ebb whose length field is 0
octets A5 5A 02 00 00
should show the next packet but 3
did show none of 14
"""


def told(octets: bytes) -> str:
    """What is said of a file that cannot be read."""
    with pytest.raises(UsageError) as caught:
        kept_of(octets, "a.case")
    assert "\n" not in str(caught.value)
    return str(caught.value)


def checked(text: str) -> bytes:
    """A text with its check."""
    body = text.encode()
    return body + b"check %08x\n" % crc32(body)


def test_the_file_is_as_documented():
    """Every line of it, in its order."""
    assert case_text(KEPT) == checked(FILE)


texts = st.text(max_size=60).map(one_line)
words = st.from_regex(r"[a-z0-9][a-z0-9-]{0,63}", fullmatch=True)
whole = st.integers(-(2**63), 2**63 - 1)
keeps = st.builds(
    Kept,
    profile=texts,
    sets=st.lists(texts, max_size=3).map(tuple),
    digest=st.from_regex(r"[0-9a-f]{32}", fullmatch=True),
    seed=st.integers(0, 2**64 - 1),
    number=st.integers(0, 2**64 - 1),
    before=st.integers(0, 8),
    around=st.sampled_from(["", "after", "fill", "after fill"]),
    rows=st.lists(st.tuples(words, whole, whole), max_size=6).map(tuple),
    attack=words,
    oracle=words,
    rate=st.integers(0, 10**6).flatmap(
        lambda tries: st.integers(0, tries).map(lambda failed: Rate(failed, tries))
    ),
    text=texts,
    send=st.lists(texts, max_size=4).map(tuple),
    octets=st.lists(texts, max_size=4).map(tuple),
    should=texts,
    did=texts,
)


@given(keeps)
def test_what_is_written_is_read_again(kept):
    """Also with other line ends, a byte order mark, and more ends of line."""
    octets = case_text(kept)
    assert kept_of(octets, "x") == kept
    elsewhere = b"\xef\xbb\xbf" + octets.replace(b"\n", b"\r\n") + b"\r\n"
    assert kept_of(elsewhere, "x") == kept


@given(keeps, st.data())
def test_one_flipped_bit_is_noticed(kept, data):
    """Wherever it is, the file is refused, in one line."""
    octets = bytearray(case_text(kept))
    read = None
    place = data.draw(st.integers(0, len(octets) - 1))
    octets[place] ^= 1 << data.draw(st.integers(0, 7))
    with suppress(UsageError):
        read = kept_of(bytes(octets), "x")
    # The last end of line, or a carriage return in its place, says nothing.
    assert read is None or (read == kept and place == len(octets) - 1)


@given(keeps, st.data())
def test_a_file_that_is_cut_is_noticed(kept, data):
    """Any shorter file is refused, but for the last end of line."""
    octets = case_text(kept)
    cut = data.draw(st.integers(0, len(octets) - 2))
    with pytest.raises(UsageError):
        kept_of(octets[:cut], "x")


@given(st.binary(max_size=200))
def test_any_octets_are_a_case_or_a_fault(octets):
    """Nothing but a `UsageError` comes of a file of rubbish, its check right or not."""
    body = b"nightbench case 1\n" + octets + b"\n"
    for file in (octets, body, body + b"check %08x\n" % crc32(body)):
        with pytest.raises(UsageError):
            kept_of(file, "x")


def test_a_newer_version_is_told():
    """A sound file of a later version says what to do."""
    octets = checked(FILE.replace("case 1", "case 2") + "more 1\n")
    assert told(octets) == (
        "case of a newer version: 2, expected at most 1 @ a.case"
        " (update nightbench to read it)"
    )


def test_a_damaged_file_is_told():
    """So is one whose version alone was damaged."""
    sound = case_text(KEPT)
    expected = (
        "damaged case @ a.case"
        " (its check does not fit; fetch it again, or send the case anew)"
    )
    assert told(sound.replace(b"ebb", b"ebb ")) == expected
    assert told(sound.replace(b"case 1", b"case 3")) == expected


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("seed 7", "seed 07", 5),
        ("seed 7", "seed ٧", 5),
        ("row noise -1", "row noise 1.0", 12),
        ("row noise -1", "row noise 99999999999999999999", 12),
        ("rate 5 of 5", "rate 6 of 5", 13),
        ("did show", "dud show", 18),
    ],
)
def test_a_line_that_says_nothing(old, new, line):
    """With a check that fits, the line is named."""
    assert told(checked(FILE.replace(old, new))).endswith(f"@ a.case, line {line}")


@pytest.mark.parametrize("text", ["", "hello\n", "nightbench case 0\n", "[bus]\n"])
def test_other_files(text):
    """What is no case at all is told apart from one that is damaged."""
    assert told(text.encode()).startswith("not the file of a case")


def test_lines_that_lack_or_stand_twice():
    """A word that stands for one thing stands once."""
    assert "seed, expected one line of it" in told(
        checked(FILE.replace("seed 7\n", ""))
    )
    twice = checked(FILE.replace("seed 7\n", "seed 7\nseed 8\n"))
    assert "a line stands twice: seed" in told(twice)
