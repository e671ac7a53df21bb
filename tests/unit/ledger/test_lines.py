"""Lines: one record, one spelling, and a check that notices."""

from __future__ import annotations

import json

import numpy as np
import pytest
from crccheck.crc import Crc32IsoHdlc
from hypothesis import given
from hypothesis import strategies as st

from bench.ledger.lines import line_of, pretty, record_of

VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=12,
)
RECORDS = st.dictionaries(st.text(), VALUES, max_size=6)


@given(RECORDS)
def test_round_trip(record: dict[str, object]) -> None:
    """What is written is what is read, on one line of printable ASCII."""
    line = line_of(record)
    assert line.count(b"\n") == 1
    assert line.endswith(b"\n")
    assert all(0x20 <= octet <= 0x7E for octet in line[:-1])
    assert record_of(line[:-1]) == record


@given(RECORDS)
def test_check_is_the_catalogue_s(record: dict[str, object]) -> None:
    """The check is CRC-32/ISO-HDLC of the text, as another library computes it."""
    line = line_of(record)
    text = line[9:-1]
    assert line[:9] == f"{Crc32IsoHdlc.calc(text):08x} ".encode()
    assert json.loads(text) == record


def test_known_line() -> None:
    """The spelling of a line is fixed: keys sorted, no spaces, escapes in ASCII.

    The check was computed apart: crccheck, Crc32IsoHdlc.
    """
    line = line_of({"note": "12 µs", "n": 3, "at": [1, 2.5, None, True]})
    text = b'{"at":[1,2.5,null,true],"n":3,"note":"12 \\u00b5s"}'
    assert line == b"%08x " % Crc32IsoHdlc.calc(text) + text + b"\n"


@given(RECORDS, st.data())
def test_one_flipped_bit_is_noticed(
    record: dict[str, object], data: st.DataObject
) -> None:
    """A line with any one bit flipped is not a record."""
    line = bytearray(line_of(record)[:-1])
    at = data.draw(st.integers(0, len(line) - 1))
    line[at] ^= 1 << data.draw(st.integers(0, 7))
    assert record_of(bytes(line)) is None


@given(st.binary(max_size=64))
def test_rubbish_is_no_record(octets: bytes) -> None:
    """Octets that nobody wrote as a line are not a record, and raise nothing."""
    assert record_of(octets) is None


@pytest.mark.parametrize(
    "text", [b"1", b"[1]", b'{"a":NaN}', b'{"a":-Infinity}', b'{"a":1', b"", b'{"\xc2"']
)
def test_right_check_over_wrong_text(text: bytes) -> None:
    """A check that fits does not make a record of what is no strict JSON object."""
    assert record_of(b"%08x %s" % (Crc32IsoHdlc.calc(text), text)) is None


@pytest.mark.parametrize("digit", [b"0", b"a"])
def test_check_is_compared_not_parsed(digit: bytes) -> None:
    """A check in capitals, or with a space for its first 0, is damage."""
    lines = (line_of({"n": n})[:-1] for n in range(2000))
    line = next(line for line in lines if line.startswith(digit))
    assert record_of(line) is not None
    assert record_of(line[:8].upper() + line[8:]) is None or digit == b"0"
    assert record_of(b" " + line[1:]) is None


def test_array_numbers_are_numbers() -> None:
    """Numbers of an array library are written as the numbers they are."""
    line = line_of({"i": np.int64(2**62), "f": np.float32(0.5), "b": np.bool_(True)})
    assert record_of(line[:-1]) == {"i": 2**62, "f": 0.5, "b": True}


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_no_number_no_line(value: float) -> None:
    """NaN and infinities are refused, in lines and in whole files."""
    for write in (line_of, pretty):
        with pytest.raises(ValueError, match="JSON compliant"):
            write({"loss": value})


@pytest.mark.parametrize("value", [b"A5", {1, 2}, object()])
def test_no_json_no_line(value: object) -> None:
    """What JSON cannot say is refused rather than written as something else."""
    with pytest.raises(TypeError, match="not a JSON value"):
        line_of({"octets": value})


@given(RECORDS)
def test_pretty_says_the_same(record: dict[str, object]) -> None:
    """The spelling for people reads as the same record."""
    assert json.loads(pretty(record)) == record
