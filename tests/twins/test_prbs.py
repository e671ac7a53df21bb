"""Pseudo-random sequences: against ITU-T O.150 (05/96), and against a plain twin."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import prbs_twin

from bench.kernels import payload, prbs

# The payload of the LE direct test mode of the Bluetooth core specification: PRBS9,
# first bit lowest.
PRBS9_PUBLISHED = bytes.fromhex(
    "FF C1 FB E8 4C 90 72 8B E7 B3 51 89 63 AB 23 23 02 84 18 72 AA 61 2F 3B 51 A8"
    "E5 37 49 FB C9 CA 0C 18 53 2C FD"
)

# Of O.150 table 1: the period, the longest runs of zeros and of ones.  Ones in a
# period follow: 2^(n-1), one less where the output is inverted.
PUBLISHED = {
    "prbs9": (511, 8, 9),
    "prbs15": (32_767, 15, 14),
    "prbs23": (8_388_607, 23, 22),
}


def rule_of(name: str) -> np.ndarray:
    """The kernel's rule for one sequence."""
    stages, tap, inverted = prbs_twin.SEQUENCES[name]
    rule = np.zeros(1, payload.RULE)
    rule["far"], rule["near"] = prbs.doubled(stages, tap)
    rule["flip"] = 0xFF if inverted else 0
    return rule


def octets_of(name: str, octets: int) -> bytes:
    """The first octets of a sequence."""
    histories = np.array([prbs.history(*prbs_twin.SEQUENCES[name][:2])], np.uint64)
    out = np.zeros(octets, np.uint8)
    prbs.fill_prbs(histories, 0, rule_of(name)[0], out, 0, octets)
    return bytes(out)


def bits_of(name: str, octets: int) -> np.ndarray:
    """The first bits of a sequence."""
    column = np.frombuffer(octets_of(name, octets), np.uint8)
    return np.unpackbits(column, bitorder="little")


def longest_run(bits: np.ndarray, value: int) -> int:
    """The longest run of one value."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], bits == value, [0]])))
    return int((edges[1::2] - edges[::2]).max())


@pytest.mark.parametrize("name", prbs_twin.SEQUENCES)
def test_kernel_and_twin_agree(name):
    """Five thousand octets, one bit a step and eight at once."""
    expected = bytes(islice(prbs_twin.octets(name), 5000))
    assert octets_of(name, 5000) == expected


@pytest.mark.parametrize("name", prbs_twin.SEQUENCES)
@given(sizes=st.lists(st.integers(0, 70), max_size=6))
@settings(deadline=None)  # the first call compiles
def test_sequences_run_on(name, sizes):
    """Pieces of any size make up the whole; a neighbour's sequence stays untouched."""
    start = prbs.history(*prbs_twin.SEQUENCES[name][:2])
    histories = np.array([1, start], np.uint64)
    out = np.zeros(sum(sizes), np.uint8)
    at = 0
    for size in sizes:
        prbs.fill_prbs(histories, 1, rule_of(name)[0], out, at, size)
        at += size
    assert bytes(out) == octets_of(name, sum(sizes))
    assert histories[0] == 1


@pytest.mark.parametrize("name", PUBLISHED)
def test_period_runs_and_ones(name):
    """Period, longest runs and ones per period are those of O.150."""
    period, zeros, ones = PUBLISHED[name]
    inverted = prbs_twin.SEQUENCES[name][2]
    bits = bits_of(name, (2 * period + 100) // 8)
    once, again = bits[:period], bits[period : 2 * period]
    assert np.array_equal(once, again)
    for divisor in (3, 7, 31, 47, 73, 151, 178_481):  # of 2^n - 1, so no shorter period
        if period % divisor == 0 and divisor < period:
            shorter = period // divisor
            assert not np.array_equal(bits[:shorter], bits[shorter : 2 * shorter])
    assert int(once.sum()) == (period + 1) // 2 - inverted
    around = np.concatenate([once, once[:40]])
    assert (longest_run(around, 0), longest_run(around, 1)) == (zeros, ones)


def test_first_bits():
    """From all ones: the register comes out first, inverted where O.150 says so."""
    starts = {"prbs9": "1111111110000011", "prbs15": "0000000000000001"}
    starts |= {"prbs23": "0" * 23 + "1", "prbs31": "0" * 31 + "1"}
    for name, start in starts.items():
        bits = "".join(str(bit) for bit in bits_of(name, 8))
        assert bits.startswith(start)


def test_first_octets():
    """As a UART sends them, and as they are usually printed, high bit first."""
    low_first = {"prbs15": "0080FFDF", "prbs23": "000080FF", "prbs31": "00000080"}
    for name, start in low_first.items():
        assert octets_of(name, 4).hex().upper() == start
    high_first = {
        "prbs9": "FF83DF1732094ED1",
        "prbs15": "0001FFFBFFE7FFAF",
        "prbs23": "000001FFFF83FFE0",
        "prbs31": "00000001FFFFFFE3",
    }
    for name, start in high_first.items():
        assert np.packbits(bits_of(name, 8)).tobytes().hex().upper() == start


def test_published_octets_of_prbs9():
    """The 37 octets that a published test payload prints."""
    assert octets_of("prbs9", 37) == PRBS9_PUBLISHED


def test_prbs31_obeys_its_recurrence():
    """Its period is too long to count: bit t is bit t-31 xor bit t-28, inverted."""
    bits = bits_of("prbs31", 20_000) ^ 1
    assert np.array_equal(bits[31:], bits[:-31] ^ bits[3:-28])
