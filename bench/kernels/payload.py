"""What payloads hold: one rule for each kind of pattern.

A payload is a function of the frame, the place of its node in the frame, and the
packet's number, and of nothing else; only a pseudo-random binary sequence runs on from
one packet to the next and is carried.
"""

from __future__ import annotations

from collections import namedtuple

import numpy as np

from bench.kernels.jit import inner
from bench.kernels.philox import fill
from bench.kernels.prbs import fill_prbs

__all__ = [
    "BITS",
    "MARKS",
    "PRBS",
    "RANDOM",
    "RULE",
    "TABLE",
    "WALK",
    "Pattern",
    "fill_payload",
]

RANDOM, TABLE, WALK, BITS, MARKS, PRBS = range(6)

RULE = np.dtype(
    [
        ("kind", "i8"),
        ("frame_step", "i8"),  # TABLE: how far a frame moves on in the table
        ("far", "i8"),  # PRBS: see `fill_prbs`
        ("near", "i8"),
        ("flip", "i8"),
    ],
    align=True,
)
"""How payloads are made.

RANDOM: drawn by counter, the thing being the packet's number.
TABLE: octet i is table[(frame x frame_step + steps[place] + i) mod its length].
WALK: all zeros but one bit, the (frame + steps[place])th, modulo the bits of the
    payload; the low bit of an octet comes first.
BITS: octet i is table[b], b being bit i mod 32 of the packet's number.
MARKS: the table, then an octet of the packet's number, lowest first, over and over.
PRBS: one sequence for each place."""

Pattern = namedtuple("Pattern", ["rule", "table", "steps", "histories", "key"])
"""`RULE` of shape (1,); uint8; int64 and uint64, one a place, the last of them that of
the broadcast packet; uint64 of shape (2,), the key of RANDOM."""


@inner
def _fill_table(table, start, out, at, octets):
    length = table.shape[0]
    place = start % length
    done = 0
    while done < octets:
        run = min(octets - done, length - place)
        for k in range(run):
            out[at + done + k] = table[place + k]
        done += run
        place = 0


@inner
def _fill_walk(step, out, at, octets):
    for k in range(octets):
        out[at + k] = np.uint8(0)
    if octets > 0:
        place = step % (8 * octets)
        out[at + place // 8] = np.uint8(1 << (place % 8))


@inner
def _fill_bits(table, number, out, at, octets):
    for k in range(octets):
        out[at + k] = table[(number >> (k % 32)) & 1]


@inner
def _fill_marks(table, number, out, at, octets):
    unit = table.shape[0] + 1
    for k in range(octets):
        within = k % unit
        if within < unit - 1:
            out[at + k] = table[within]
        else:
            out[at + k] = np.uint8((number >> (8 * ((k // unit) % 4))) & 255)


@inner
def fill_payload(pattern, frame, place, number, span):
    """Write one payload.

    Args:
        pattern: A `Pattern`.
        frame: Number of the frame.
        place: Of the node in the frame; one past the last for the broadcast packet.
        number: Number of the packet; broadcast packets count down from -1.
        span: (uint8 array, where to begin, how many octets).
    """
    out, at, octets = span
    rule = pattern.rule[0]
    if rule.kind == RANDOM:
        fill(pattern.key[0], pattern.key[1], number, out[at : at + octets])
    elif rule.kind == TABLE:
        start = frame * rule.frame_step + pattern.steps[place]
        _fill_table(pattern.table, start, out, at, octets)
    elif rule.kind == WALK:
        _fill_walk(frame + pattern.steps[place], out, at, octets)
    elif rule.kind == BITS:
        _fill_bits(pattern.table, number, out, at, octets)
    elif rule.kind == MARKS:
        _fill_marks(pattern.table, number, out, at, octets)
    else:
        fill_prbs(pattern.histories, place, rule, out, at, octets)
