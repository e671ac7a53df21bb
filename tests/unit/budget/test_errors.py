"""What a check catches at which length, against published bounds."""

from __future__ import annotations

import pytest

from bench.budget import budget
from bench.budget.bus.errors import distance_of, loss_share
from bench.profile import load_profile
from bench.wire.checks import Check

MEMORY = "Koopman and Chakravarty, DSN 2004 (paper, from memory)"

BOUNDS = [
    # Koopman, Good HD=6 polynomials, 16-bit row (paper, seen)
    ("CRC-16/DNP", 6, 135),
    # the same authors, from memory, each found again by search
    ("CRC-16/XMODEM", 4, 32_751),
    ("CRC-16/MODBUS", 4, 32_751),
    ("CRC-8/SMBUS", 4, 119),
    ("CRC-8/MAXIM-DOW", 4, 119),
    ("CRC-8/AUTOSAR", 4, 119),
    ("CRC-8/CDMA2000", 4, 119),
    ("CRC-8/BLUETOOTH", 4, 119),
    ("CRC-8/SAE-J1850", 4, 13),
    ("CRC-8/SAE-J1850", 3, 247),
    ("CRC-8/DVB-S2", 4, 85),
    ("CRC-32/ISO-HDLC", 9, 57),
    ("CRC-32/ISO-HDLC", 6, 268),
    ("CRC-32/ISO-HDLC", 5, 2974),
    ("CRC-32/ISO-HDLC", 4, 91_607),
    ("CRC-32/ISO-HDLC", 3, 4_294_967_263),
    ("CRC-32/ISCSI", 8, 177),
    ("CRC-32/ISCSI", 6, 5243),
    ("CRC-32/ISCSI", 4, 2_147_483_615),
]


@pytest.mark.parametrize(("name", "distance", "bits"), BOUNDS)
def test_published_lengths(name: str, distance: int, bits: int) -> None:
    """A distance holds up to the bit, and not one further (papers)."""
    check = Check.named(name)
    at, past = distance_of(check, bits), distance_of(check, bits + 1)
    assert at is not None
    assert past is not None
    assert at[0] == distance
    assert past[0] < distance


def _undetected(check: Check, octets: int, bits: tuple[int, ...]) -> bool:
    """Whether wrong bits of a message and its check go unnoticed."""
    message = bytearray(octets)
    whole = message + check.compute(message).to_bytes(2, "little")
    for bit in bits:
        whole[bit // 8] ^= 1 << bit % 8
    return check.compute(bytes(whole[:-2])) == int.from_bytes(whole[-2:], "little")


def test_two_bits_past_the_bound_can_go_unnoticed() -> None:
    """Two wrong bits as far apart as the polynomial's order, 32,767 (CRC theory)."""
    check = Check.named("CRC-16/MODBUS")
    octets = 4100
    assert _undetected(check, octets, (0, 32_767))
    assert not any(_undetected(check, octets, (0, at)) for at in (1, 15, 16, 32_766))


def test_sums() -> None:
    """Sum and xor miss some two bits, Fletcher-16 none up to 254 octets.

    Maxino and Koopman, IEEE TDSC 6(1), 2009 (from memory; searched exhaustively).
    """
    assert distance_of(Check.named("xor-8"), 100) == (2, None)
    assert distance_of(Check.named("sum-8"), 100) == (2, None)
    fletcher = Check.named("fletcher-16")
    assert distance_of(fletcher, 254 * 8) == (3, 2032)
    assert distance_of(fletcher, 255 * 8) == (2, None)


def test_what_nobody_has_published() -> None:
    """A polynomial that is in no table is said to be in none."""
    assert distance_of(Check.named("CRC-16/T10-DIF"), 100) is None
    line = budget(
        load_profile("causeway", ["packet.fields.5.algorithm=CRC-16/T10-DIF"])
    )
    assert "published" in line["check"].missing


def test_a_packet_that_is_too_long_for_its_check() -> None:
    """3,844 octets are 30,752 bits of 32,751; past a bound it is a caution."""
    line = budget(load_profile("causeway"))["check"]
    assert (line.value, line.limit) == (30_752, 32_751)
    short = budget(load_profile("causeway", ["packet.fields.5.algorithm=CRC-8/SMBUS"]))
    assert short["check"].holds is False
    assert short["check"].caution
    assert short.fits


def test_loss() -> None:
    """1 - (1 - p)^n: one bit in 10^9 of 38,480 loses 3.85 packets in 10^5."""
    assert loss_share(1e-9, 38_480) == pytest.approx(3.848e-5, rel=1e-3)
    assert loss_share(0.5, 1) == pytest.approx(0.5)
    line = budget(load_profile("causeway", ["bus.bit_error_ratio=0.0001 %"]))
    assert float(line["packet loss"].value) == pytest.approx(0.0377, abs=1e-3)
    allowed = ["bus.bit_error_ratio=0.0001 %", "accept.loss=1 %"]
    assert not budget(load_profile("causeway", allowed))["packet loss"].holds
