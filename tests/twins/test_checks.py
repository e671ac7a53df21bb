"""The check kernels: against a library, published values, and a plain twin."""

from __future__ import annotations

import anycrc
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import checks_twin

from bench.kernels import checks

SIMPLE = {
    "sum-8": (checks.SUM, 8, {}),
    "sum-16": (checks.SUM, 16, {}),
    "lrc-8": (checks.SUM, 8, {"init": 1, "xorout": 0xFF}),
    "xor-8": (checks.XOR, 8, {}),
    "fletcher-16": (checks.FLETCHER, 16, {}),
    "fletcher-32": (checks.FLETCHER, 32, {}),
}
CATALOGUE = sorted(name for name, model in anycrc.models.items() if model[0] <= 64)
TEXT = b"123456789"


def _crc(rule: dict, octets: bytes, start: int = 0, end: int | None = None) -> int:
    ends = (rule["init"], rule["refin"], rule["refout"], rule["xorout"])
    check = checks.make_check(checks.CRC, rule["width"], *ends)
    tables = checks.make_tables(rule["width"], rule["poly"], rule["refin"])
    column = np.frombuffer(octets, np.uint8).copy()
    stop = len(octets) if end is None else end
    return int(checks.compute(check[0], tables, column, start, stop))


def _simple(name: str, octets: bytes) -> int:
    kind, width, ends = SIMPLE[name]
    check = checks.make_check(kind, width, **ends)
    column = np.frombuffer(octets, np.uint8).copy()
    tables = checks.make_tables()
    return int(checks.compute(check[0], tables, column, 0, len(octets)))


def _rule(name: str) -> dict:
    names = ("width", "poly", "init", "refin", "refout", "xorout")
    return dict(zip(names, anycrc.models[name][:6], strict=True))


@pytest.mark.parametrize("name", CATALOGUE)
def test_catalogue(name):
    """Every CRC of the catalogue up to 64 bits is the library's, at many lengths."""
    library = anycrc.Model(name)
    octets = np.random.Generator(np.random.Philox(1)).bytes(70)
    for length in (*range(18), 63, 64, 65, 70):
        assert _crc(_rule(name), octets[:length]) == library.calc(octets[:length])
    assert _crc(_rule(name), TEXT) == anycrc.models[name][6]  # the catalogue's value


@st.composite
def rules(draw) -> dict:
    """Parameters of any CRC, refin and refout apart."""
    width = draw(st.integers(3, 64))
    value = st.integers(0, 2**width - 1)
    return {
        "width": width,
        "poly": draw(value) | 1,
        "init": draw(value),
        "refin": draw(st.booleans()),
        "refout": draw(st.booleans()),
        "xorout": draw(value),
    }


@given(rule=rules(), octets=st.binary(max_size=40), data=st.data())
@settings(deadline=None)  # the first call compiles
def test_any_crc_of_any_span_is_the_twin_s(rule, octets, data):
    """Bit by bit or eight octets at a time, within a longer column."""
    start = data.draw(st.integers(0, len(octets)))
    end = data.draw(st.integers(start, len(octets)))
    expected = checks_twin.crc(rule, octets[start:end])
    assert _crc(rule, octets, start, end) == expected


@pytest.mark.parametrize("name", SIMPLE)
@given(octets=st.binary(max_size=600))
@settings(deadline=None)  # the first call compiles
def test_simple_checks_are_the_twin_s(name, octets):
    """Sums, xor and Fletcher of any octets."""
    assert _simple(name, octets) == checks_twin.value(name, octets)


def test_no_check_is_zero():
    """The kind none has no value."""
    check = checks.make_check(checks.NO_CHECK)
    column = np.ones(5, np.uint8)
    assert checks.compute(check[0], checks.make_tables(), column, 0, 5) == 0


# Fletcher: widely copied vectors, algorithm of RFC 1146 and Fletcher (1982).
# Sums: Modbus over serial line V1.02, 6.2.1 (LRC); the others by arithmetic.
@pytest.mark.parametrize(
    ("name", "octets", "value"),
    [
        ("fletcher-16", b"abcde", 0xC8F0),
        ("fletcher-16", b"abcdef", 0x2057),
        ("fletcher-16", b"abcdefgh", 0x0627),
        ("fletcher-16", TEXT, 0x1EDE),
        ("fletcher-32", b"abcde", 0xF04FC729),
        ("fletcher-32", b"abcdef", 0x56502D2A),
        ("fletcher-32", b"abcdefgh", 0xEBE19591),
        ("fletcher-32", b"\x01\x02", 0x02010201),
        ("xor-8", TEXT, 0x31),
        ("sum-8", TEXT, 0xDD),
        ("lrc-8", TEXT, 0x23),
        ("sum-16", TEXT, 0x01DD),
        ("lrc-8", bytes.fromhex("01 03 00 00 00 0A"), 0xF2),
        ("lrc-8", bytes.fromhex("11 03 00 6B 00 03"), 0x7E),
    ],
)
def test_published_values(name, octets, value):
    """Printed values of the checks that are no CRC."""
    assert _simple(name, octets) == value
