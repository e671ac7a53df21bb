"""Rows of integers from a seed and a number."""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import kernel
from bench.kernels.philox import below, block

__all__ = ["MOST_ROWS", "draw_cases"]

MOST_ROWS = 3
"""Rows of a case at most."""

_ONE, _TWO = 224, 248
"""Of 256 cases so many have one row, or at most two."""

_AFTER = np.int64(1)
"""Of what is around a case: a good packet right after it; half of all have one."""


@kernel
def draw_cases(key, first, kinds, table, specials, cases, rows):
    """Draw cases from one number on.

    Args:
        key: uint64 (2,), of the stream of choices.
        first: Number of the first.
        kinds: `KIND`, one for each attack.
        table: int64, attacks as often as they are to be drawn.
        specials: int64, values worth trying, of all attacks.
        cases: `CASE`, written; `before` is left as it is, and of `around` all but the
            good packet right after.
        rows: int64 (n, 3), written; room for `MOST_ROWS` a case.

    Returns:
        Rows written.
    """
    at = 0
    for k in range(cases.shape[0]):
        case = cases[k]
        case.number = first + k
        case.first = at
        words = block(key[0], key[1], case.number, 0)
        many = below(words[0], 256)
        case.rows = 1 if many < _ONE else (2 if many < _TWO else 3)
        if words[1] & np.uint64(1):
            case.around &= ~_AFTER
        for j in range(case.rows):
            words = block(key[0], key[1], case.number, 1 + j)
            which = table[below(words[0], table.shape[0])]
            kind = kinds[which]
            rows[at, 0] = which
            rows[at, 1] = below(words[1], kind.places)
            if kind.specials and words[3] & np.uint64(1):
                one = below(words[2], kind.specials)
                rows[at, 2] = specials[kind.first_special + one]
            else:
                rows[at, 2] = kind.least + below(words[2], kind.most - kind.least + 1)
            at += 1
    return at
