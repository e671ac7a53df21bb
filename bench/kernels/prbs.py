"""Pseudo-random binary sequences of ITU-T O.150 (05/96), an octet at a time.

With stages 1 to n the new first stage is stage k xor stage n, and the output is stage
n, so that bit t of the sequence is bit t-n xor bit t-k.  Over the field of two elements
a square has no mixed terms, so bit t is bit t-2n xor bit t-2k as well, and so on: with
both places doubled until the nearer one is at least eight bits back, eight new bits
follow from the 64 before them at once.

Bits are packed as a UART sends them: the first one lowest.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import inner

__all__ = ["doubled", "fill_prbs", "history"]

_BITS = 64
"""How much of the past is kept: the bits of one word."""


def doubled(stages: int, tap: int) -> tuple[int, int]:
    """The places of the recurrence, doubled as long as they lie in one word."""
    while 2 * stages <= _BITS:
        stages, tap = 2 * stages, 2 * tap
    return stages, tap


def history(stages: int, tap: int) -> int:
    """The 64 bits before a sequence that starts from a register of all ones.

    The last of them is the highest.  Inversion is left out: it is a matter of output.
    """
    bits = [1] * stages  # the register as it comes out
    for _ in range(_BITS):
        bits.insert(0, bits[stages - 1] ^ bits[stages - tap - 1])
    return sum(bit << place for place, bit in enumerate(bits[:_BITS]))


@inner
def fill_prbs(histories, lane, rule, out, at, octets):
    """Write the next octets of one sequence to out[at:at+octets].

    Args:
        histories: uint64, the last 64 bits of each sequence; carried on.
        lane: Which of them.
        rule: A record with `far` and `near`, the places of the recurrence in bits back,
            at least 8 and at most 64, and `flip`, FFh for an inverted output or 0.
        out: uint8.
        at: Where to begin.
        octets: How many to write.
    """
    past = histories[lane]
    far = np.uint64(64 - rule.far)
    near = np.uint64(64 - rule.near)
    for k in range(octets):
        fresh = ((past >> far) ^ (past >> near)) & np.uint64(255)
        past = (past >> np.uint64(8)) | (fresh << np.uint64(56))
        out[at + k] = np.uint8(fresh) ^ np.uint8(rule.flip)
    histories[lane] = past
