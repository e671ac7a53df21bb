"""Continuous octets for looking at a line."""

from __future__ import annotations

from fractions import Fraction
from math import floor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.profile.model import Bus
from bench.traffic.line import LINE_OCTETS, line_pattern


def bus(baud: int = 1_000_000, **others: object) -> Bus:
    """A line."""
    return Bus.model_validate({"baud": baud, **others})


@pytest.mark.parametrize("octet", LINE_OCTETS)
def test_one_octet_without_a_gap(octet):
    """A second at 9600 baud is 960 characters of 8N1."""
    lines = list(line_pattern(octet, bus(9600), 10**9, most_octets=100))
    assert np.concatenate([line.octets for line in lines]).tolist() == [octet] * 960
    assert [line.first for line in lines] == list(range(0, 960, 100))
    for line in lines:
        assert line.runs["start_ns"].tolist() == [
            floor(line.first * Fraction(10**10, 9600))
        ]
        assert len(line.flaws) == 0
    assert lines[-1].until_ns == 10**9
    assert lines[0].until_ns == lines[1].runs["start_ns"][0]


@given(
    baud=st.sampled_from([9600, 3_000_000, 1_234_567]),
    duration_ns=st.integers(0, 10**7),
    most=st.integers(1, 5000),
)
def test_chunks_are_one_run(baud, duration_ns, most):
    """Every character starts before the end, the next one would not."""
    pitch = Fraction(10**10, baud)
    count = 0
    for line in line_pattern(0x55, bus(baud), duration_ns, most):
        start = line.runs["start_ns"][0] + Fraction(
            int(line.runs["start_rem"][0]), pitch.denominator
        )
        assert start == count * pitch
        assert 0 < len(line.octets) <= most
        count += len(line.octets)
    assert (count - 1) * pitch < duration_ns or count == 0
    assert count * pitch >= duration_ns


def test_idle_time_of_the_virtual_wire_is_after_each_character():
    """The pitch is longer, and the line is free when the last character has ended."""
    (line,) = line_pattern(0xFF, bus(virtual_idle="500 ns"), 10**6)
    assert len(line.octets) == -(-(10**6) // 10_500)
    assert line.until_ns == len(line.octets) * 10_500 - 500


@pytest.mark.parametrize(("octet", "most"), [(256, 10), (-1, 10), (0, 0)])
def test_what_cannot_be_sent_is_refused(octet, most):
    """No octet, or chunks of nothing."""
    with pytest.raises(ValueError, match="in chunks of"):
        next(line_pattern(octet, bus(), 10**6, most))
