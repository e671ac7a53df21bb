"""A check's fields are what the kernel takes: the two give the same values."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from bench.kernels import checks as kernels
from bench.wire.checks import Check, Kind, catalogue

SIMPLE = ("none", "sum-8", "sum-16", "lrc-8", "xor-8", "fletcher-16", "fletcher-32")


def test_kinds_have_the_same_numbers() -> None:
    """The kinds of the wire floor and those of the kernel."""
    names = {"NONE": kernels.NO_CHECK, "CRC": kernels.CRC, "SUM": kernels.SUM}
    names |= {"XOR": kernels.XOR, "FLETCHER": kernels.FLETCHER}
    assert {kind.name: kind.value for kind in Kind} == names


@pytest.mark.parametrize("length", [0, 1, 7, 8, 9, 64, 300])
def test_kernel_and_library_agree(length: int) -> None:
    """Every CRC of the catalogue, one turned one way only, and all the others."""
    octets = Random(length).randbytes(length)
    column = np.frombuffer(octets, np.uint8).copy()
    one_way = Check("turned", Kind.CRC, 13, 0x1CF5, 0x0A5, refin=True, xorout=3)
    others = [Check.named(name) for name in SIMPLE]
    for check in (*catalogue().values(), one_way, *others):
        record = kernels.make_check(
            check.kind,
            check.width,
            check.init,
            check.refin,
            check.refout,
            check.xorout,
        )
        tables = kernels.make_tables(check.width, check.poly, check.refin)
        value = kernels.compute(record[0], tables, column, 0, length)
        assert int(value) == check.compute(octets), check.name
