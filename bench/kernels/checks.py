"""Checks over a span of octets: any CRC of up to 64 bits, sums, xor, Fletcher.

A CRC goes eight octets at a time through eight tables (M. Kounavis and F. Berry, "A
systematic approach to building high performance software-based CRC generators", 2005).
Reflected ones keep their register at the low end of a word; the others at its top, so
that one table lookup serves every width.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import inner
from bench.kernels.pointers import address_of, octet_at, word_from

__all__ = [
    "CHECK",
    "CRC",
    "FLETCHER",
    "NO_CHECK",
    "SUM",
    "XOR",
    "compute",
    "compute_at",
    "make_check",
    "make_tables",
]

NO_CHECK, CRC, SUM, XOR, FLETCHER = range(5)

CHECK = np.dtype(
    [
        ("init", "u8"),  # register before the first octet, aligned
        ("xorout", "u8"),
        ("mask", "u8"),  # the bits of the result
        ("kind", "i8"),
        ("width", "i8"),  # bits of the result
        ("reflected", "i8"),  # octets enter low bit first
        ("turn", "i8"),  # the result is the register with its bits in reverse
    ],
    align=True,
)
"""One algorithm.  SUM: of octets, modulo 2^width, then xor `xorout`, plus `init` (two's
complement: all ones and 1).  FLETCHER: two sums of half the width, modulo all ones."""


def _reverse(value: int, width: int) -> int:
    """A word of `width` bits, last bit first."""
    return int(f"{value:0{width}b}"[::-1], 2)


def make_check(
    kind: int,
    width: int = 0,
    init: int = 0,
    refin: bool = False,
    refout: bool = False,
    xorout: int = 0,
) -> np.ndarray:
    """A `CHECK` of shape (1,) from the parameters of the catalogue."""
    check = np.zeros(1, CHECK)
    check["kind"] = kind
    check["width"] = width
    check["mask"] = np.uint64(2**width - 1)
    check["xorout"] = np.uint64(xorout)
    check["reflected"] = refin
    check["turn"] = refin != refout
    if kind == CRC:
        start = _reverse(init, width) if refin else init << (64 - width)
        check["init"] = np.uint64(start)
    else:
        check["init"] = np.uint64(init)
    return check


def make_tables(width: int = 8, poly: int = 0, refin: bool = False) -> np.ndarray:
    """The eight tables of a CRC, uint64 of shape (8, 256); zeros for other checks."""
    tables = np.zeros((8, 256), np.uint64)
    if poly == 0:
        return tables
    step = _reverse(poly, width) if refin else poly << (64 - width)
    for octet in range(256):
        register = octet if refin else octet << 56
        for _ in range(8):
            if refin:
                register = (register >> 1) ^ (step if register & 1 else 0)
            else:
                top = register >> 63
                register = (register << 1) % 2**64 ^ (step if top else 0)
        tables[0, octet] = register
    for k in range(1, 8):
        before = tables[k - 1]
        if refin:
            tables[k] = (before >> np.uint64(8)) ^ tables[0, before & np.uint64(255)]
        else:
            tables[k] = (before << np.uint64(8)) ^ tables[0, before >> np.uint64(56)]
    return tables


_TABLE = 256 * 8
"""Octets of one table."""


@inner
def _entry(table, index):
    """One entry of the table at an address."""
    return word_from(table + 8 * np.int64(index))


@inner
def _eight(tables, word):
    """The register after eight octets that were folded into it, low octet first."""
    low = np.uint64(255)
    first = _entry(tables + 7 * _TABLE, word & low)
    first ^= _entry(tables + 6 * _TABLE, (word >> np.uint64(8)) & low)
    second = _entry(tables + 5 * _TABLE, (word >> np.uint64(16)) & low)
    second ^= _entry(tables + 4 * _TABLE, (word >> np.uint64(24)) & low)
    third = _entry(tables + 3 * _TABLE, (word >> np.uint64(32)) & low)
    third ^= _entry(tables + 2 * _TABLE, (word >> np.uint64(40)) & low)
    fourth = _entry(tables + _TABLE, (word >> np.uint64(48)) & low)
    fourth ^= _entry(tables, word >> np.uint64(56))
    # Pairs of pairs: the chain from register to register is what takes the time.
    return (first ^ second) ^ (third ^ fourth)


@inner
def _swapped(word):
    """The octets of a word in the other order."""
    pairs = np.uint64(0x00FF00FF00FF00FF)
    word = ((word >> np.uint64(8)) & pairs) | ((word & pairs) << np.uint64(8))
    halves = np.uint64(0x0000FFFF0000FFFF)
    word = ((word >> np.uint64(16)) & halves) | ((word & halves) << np.uint64(16))
    return (word >> np.uint64(32)) | (word << np.uint64(32))


@inner
def _turned(word, width):
    """The low `width` bits of a word in the other order."""
    turned = np.uint64(0)
    for k in range(width):
        bit = (word >> np.uint64(k)) & np.uint64(1)
        turned |= bit << np.uint64(width - 1 - k)
    return turned


@inner
def _crc(check, tables, address, size):
    register = check.init
    at = 0
    if check.reflected:
        while at + 8 <= size:
            register = _eight(tables, register ^ word_from(address + at))
            at += 8
        for k in range(at, size):
            index = (register ^ np.uint64(octet_at(address + k))) & np.uint64(255)
            register = (register >> np.uint64(8)) ^ _entry(tables, index)
    else:
        while at + 8 <= size:
            register = _eight(tables, _swapped(register) ^ word_from(address + at))
            at += 8
        for k in range(at, size):
            index = (register >> np.uint64(56)) ^ np.uint64(octet_at(address + k))
            register = (register << np.uint64(8)) ^ _entry(tables, index)
        register >>= np.uint64(64 - check.width)
    if check.turn:
        register = _turned(register, check.width)
    return register ^ check.xorout


@inner
def _fletcher(check, address, size):
    half = check.width // 2
    step = half // 8
    modulus = (np.uint64(1) << np.uint64(half)) - np.uint64(1)
    low = np.uint64(0)
    high = np.uint64(0)
    at = 0
    while at < size:
        word = np.uint64(0)
        for k in range(min(step, size - at)):
            word |= np.uint64(octet_at(address + at + k)) << np.uint64(8 * k)
        low = (low + word) % modulus
        high = (high + low) % modulus
        at += step
    return (high << np.uint64(half)) | low


@inner
def compute_at(check, tables, address, size):
    """The value of a check over octets in memory.

    Args:
        check: A `CHECK` record.
        tables: Address of what `make_tables` made.
        address: Of the first octet that is covered.
        size: How many are.
    """
    value = np.uint64(0)
    if check.kind == CRC:
        value = _crc(check, tables, address, size)
    elif check.kind == FLETCHER:
        value = _fletcher(check, address, size)
    elif check.kind == XOR:
        for k in range(size):
            value ^= np.uint64(octet_at(address + k))
    elif check.kind == SUM:
        for k in range(size):
            value += np.uint64(octet_at(address + k))
        value = (value ^ check.xorout) + check.init
    return value & check.mask


@inner
def compute(check, tables, octets, start, end):
    """The value of a check over octets[start:end].

    Args:
        check: A `CHECK` record.
        tables: From `make_tables`; any of that shape where the check is no CRC.
        octets: uint8.
        start: First octet that is covered.
        end: One past the last.
    """
    address = address_of(octets) + start
    return compute_at(check, address_of(tables), address, end - start)
