"""Sighting lines: what is written reads back, and nothing else is taken for one."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.columns import Drop
from bench.link.lines import LONGEST, drop_of, format_line, parse_line, word_of

SMALL = string.ascii_lowercase
words = st.builds(
    str.__add__,
    st.sampled_from(SMALL),
    st.text(SMALL + string.digits + "-", max_size=12),
)
keys = st.builds(
    str.__add__,
    st.sampled_from(string.ascii_letters + "_"),
    st.text(string.ascii_letters + string.digits + "_.-", max_size=12),
)
printing = "".join(chr(sign) for sign in range(0x21, 0x7F))
values = st.one_of(
    st.text(printing, min_size=1, max_size=20),
    st.integers(-(2**63), 2**63),
    st.booleans(),
    st.binary(min_size=1, max_size=20),
    st.none(),
)


def said(value):
    """A value as the reader of a line is to see it; from the grammar alone."""
    if isinstance(value, bytes):
        return "".join(f"{octet:02X}" for octet in value)
    if isinstance(value, bool):
        return "1" if value else "0"
    return str(value)


@given(words, st.dictionaries(keys, values, max_size=6))
def test_what_is_written_reads_back(word, given_values):
    """Every value comes back as text, and what was not known is left out."""
    line = format_line(word, **given_values)
    known = {key: said(v) for key, v in given_values.items() if v is not None}
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert parse_line(line.decode("ascii")) == (word, known)


@given(words, st.dictionaries(keys, values, max_size=6), st.randoms())
def test_order_of_keys_and_line_ends_do_not_matter(word, given_values, random):
    """Keys in any order, several spaces between them and a CR mean the same."""
    line = format_line(word, **given_values).decode("ascii")
    head, *pairs = line.split()
    random.shuffle(pairs)
    assert parse_line("  ".join([head, *pairs]) + " \r\n") == parse_line(line)


@given(st.text(max_size=60))
def test_any_text_parses_or_is_none(text):
    """No text makes the parser fail, and what it takes can be written again."""
    parsed = parse_line(text)
    if parsed is not None:
        word, found = parsed
        again = format_line(word, **found).decode("ascii")
        assert parse_line(again) == parsed


def test_the_documented_line():
    """The line of the module's own page, value by value."""
    text = "shown node=3 octets=A55A01 clocks=24 first=120500 end=216500 shown=716500"
    assert parse_line(text) == (
        "shown",
        {
            "node": "3",
            "octets": "A55A01",
            "clocks": "24",
            "first": "120500",
            "end": "216500",
            "shown": "716500",
        },
    )
    written = format_line(
        "shown", node=3, octets=b"\xa5\x5a\x01", clocks=24, burst=None
    )
    assert written == b"shown node=3 octets=A55A01 clocks=24\n"


@pytest.mark.parametrize(
    "text",
    [
        "",
        " shown node=3",
        "Shown node=3",
        "3 node=3",
        "received packet 7",
        "shown node",
        "shown node=",
        "shown =3",
        "shown node=3 node=3",
        "shown node=\x07",
        "shown node=é",
        "shown\tnode=3",
    ],
)
def test_what_is_no_sighting_line(text):
    """Text for people, a key twice, an empty value: no sighting line."""
    assert parse_line(text) is None


@pytest.mark.parametrize(
    ("word", "given_values"),
    [
        ("", {}),
        ("Shown", {}),
        ("two words", {}),
        ("shown", {"1st": 3}),
        ("shown", {"node": ""}),
        ("shown", {"node": "slack water"}),
        ("shown", {"octets": b""}),
        ("shown", {"octets": bytes(LONGEST // 2)}),
    ],
)
def test_what_cannot_be_written(word, given_values):
    """A line that would not read back is refused."""
    with pytest.raises(ValueError, match="sighting line"):
        format_line(word, **given_values)


def test_words_of_drops():
    """Every reason has a word, which names it again; another names none."""
    assert word_of(Drop.NO_PORT_WORDS) == "no-port-words"
    assert [drop_of(word_of(drop)) for drop in Drop] == list(Drop)
    assert drop_of("tired") is None
