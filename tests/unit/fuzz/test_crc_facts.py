"""Published facts about checks, seen by the referee and by whole batches.

Errors that a check cannot detect exist, in known numbers; those that it always detects
never pass.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from unit.fuzz.boards import attacks_on

from bench.fuzz.attacks import KINDS
from bench.fuzz.attacks.kinds import NUMBER_OF
from bench.fuzz.batch import Batch
from bench.fuzz.cases import Case
from bench.fuzz.oracles.chance import chances
from bench.fuzz.oracles.many import Many
from bench.fuzz.oracles.referee import read
from bench.judge.statistics import binomial_interval
from bench.wire.checks import Check
from bench.wire.format import (
    CheckRule,
    Delimiter,
    Delimiting,
    Format,
    Layout,
    Number,
    Unstuffing,
)
from bench.wire.packets import build


def passed_of(check: Check, data_octets: int, errors: np.ndarray) -> int:
    """How many error patterns a receiver takes for sound packets.

    Args:
        check: The check.
        data_octets: Octets of data before it.
        errors: uint8 (n, data and check octets), xored into a sound packet each.
    """
    ground = attacks_on("causeway").ground
    tail = check.size
    rule = CheckRule(check, Number(-tail, tail, "big"), 1, -tail)
    layout = Layout(
        1, tail, data_octets, data_octets, (), None, 0, (), None, None, 0, rule
    )
    form = Format(
        Delimiting(Delimiter.MARKER, b"\xa5", False, 1000, 900, True),
        Unstuffing(),
        layout,
    )
    spec = replace(ground.spec, packet=form)
    many = Many(replace(ground, form=form, spec=spec))
    sound = np.frombuffer(
        build(form, address=None, payload=bytes(range(data_octets))), np.uint8
    )
    lines = np.repeat(sound[None, :], len(errors), axis=0)
    lines[:, 1:] ^= errors
    size = lines.shape[1]
    # Silence between packets, so that none is mistaken for part of another.
    starts = np.arange(len(errors) * size) * spec.uart.character_ns
    starts += np.repeat(np.arange(len(errors)), size) * 1_000_000
    from bench.kernels.fuzz import records

    flaws = np.zeros(0, records.FLAW)
    none = np.zeros(0, np.int64)
    _, seen = many.find(
        lines.reshape(-1).copy(), starts, flaws, none, none.reshape(-1, 2)
    )
    return int(seen[0])


def patterns(places: list[tuple[int, ...]], octets: int) -> np.ndarray:
    """Errors with set bits at places, the first bit the highest of the first octet."""
    bits = np.zeros((len(places), 8 * octets), np.uint8)
    for row, each in enumerate(places):
        bits[row, list(each)] = 1
    return np.packbits(bits, axis=1)


@pytest.mark.parametrize(
    ("name", "count"), [("CRC-16/XMODEM", 84), ("CRC-16/UMTS", 364)]
)
def test_undetected_four_bit_errors(name, count):
    """Of all four-bit errors in 48 bits of data so many pass, and no smaller one.

    84 for polynomial 1021h: Koopman and Chakravarty, DSN 2004, table 1 (from memory);
    364 for 8005h: computed from the weight distribution.
    """
    check = Check.named(name)
    for weight, known in ((1, 0), (2, 0), (3, 0), (4, count)):
        places = list(combinations(range(64), weight))
        assert passed_of(check, 6, patterns(places, 8)) == known


def test_bursts_beside_the_width():
    """Every burst up to the check's width is found; of longer ones a known share.

    CRC theory, for a polynomial with a last term: all bursts of at most W bits are
    detected; of those of W + 1 bits a share 2^-(W-1) is not, of longer ones 2^-W.
    Exhaustive for CRC-8/SMBUS: 1/128, and 4 of 1024 with twelve bits.
    """
    check = Check.named("CRC-8/SMBUS")
    for length in range(1, 13):
        inner = max(0, length - 2)
        ends = {0, length - 1}
        places = [
            tuple(sorted(ends | {1 + k for k in range(inner) if fill >> k & 1}))
            for fill in range(1 << inner)
        ]
        shifted = [tuple(3 + bit for bit in each) for each in places]
        passed = passed_of(check, 4, patterns(shifted, 5))
        share = {9: 1 / 128}.get(length, 1 / 256 if length > 9 else 0)
        assert passed == share * len(places), length


def test_bursts_on_the_line_are_found():
    """A burst attack of at most the check's width is never taken for a sound packet.

    At every place of the packet, in the order in which the check takes bits in.
    """
    attacks = attacks_on("causeway")
    width = 16
    burst = NUMBER_OF["bit-burst"]
    draw = np.random.default_rng(3)
    many = Many(attacks.ground)
    for place in range(170):
        length = int(draw.integers(1, width + 1))
        mask = 1 | 1 << (length - 1) | int(draw.integers(0, 1 << length))
        case = Case(np.array([(burst, place, mask)]), 1, place, before=0)
        laid = attacks.lay(case)
        found = read(laid, (), set()).found
        damaged = laid.pieces[laid.pieces["kind"] == burst]
        first = int(damaged["first"][0])
        assert int(damaged["flips"][0]) > 0
        assert all(one.first != first for one in found), (place, bin(mask))
    assert many is not None


@pytest.mark.parametrize("name", ["causeway", "jetty"])
def test_what_passes_is_the_expected_share(name):
    """Of long bursts a share of 2^-16 passes, within its interval; of others none.

    CRC theory; the interval has 99.99 % confidence.
    """
    batch = Batch(attacks_on(name), only=["bit-burst", "bit-error", "check-value"])
    ran = batch.run(11, 0, 150_000)
    assert ran.breaches == ()
    passed = {KINDS[k].name: int(ran.passed[k]) for k in np.nonzero(ran.passed)[0]}
    assert set(passed) <= {"bit-burst"}
    tried = int(ran.tried[NUMBER_OF["bit-burst"]])
    low, _ = binomial_interval(passed.get("bit-burst", 0), tried, 0.9999)
    assert low <= 2.0**-15  # bursts one bit longer than the width pass twice as often


def test_chance_is_told_from_fault():
    """What passes is compared with its share: none too many here, and far too many."""
    attacks = attacks_on("causeway")
    ran = Batch(attacks, only=["bit-burst", "bit-error"]).run(1, 0, 20_000)
    assert [one.attack for one in chances(ran, attacks)] == ["bit-error", "bit-burst"]
    assert all(one.plausible for one in chances(ran, attacks))
    wrong = ran.passed.copy()
    wrong[NUMBER_OF["bit-error"]] += 1
    wrong[NUMBER_OF["bit-burst"]] += 40
    told = chances(replace(ran, passed=wrong), attacks)
    assert [one.plausible for one in told] == [False, False]
    assert chances(ran, attacks_on("dmx512")) == []
