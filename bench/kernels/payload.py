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
    "CHANGE",
    "MARKS",
    "PRBS",
    "RANDOM",
    "RULE",
    "TABLE",
    "TURNS",
    "WALK",
    "Pattern",
    "fill_payload",
]

RANDOM, TABLE, WALK, BITS, MARKS, PRBS, TURNS = range(7)

RULE = np.dtype(
    [
        ("kind", "i8"),
        ("frame_step", "i8"),  # TABLE: how far a frame moves on in the table
        ("far", "i8"),  # PRBS: see `fill_prbs`
        ("near", "i8"),
        ("flip", "i8"),
        ("hold", "i8"),  # TURNS: frames that a turn lasts
        ("turns", "i8"),  # TURNS: how many there are
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
PRBS: one sequence for each place.
TURNS: octet i is table[(steps[place] + i) mod its length], but for the changes of the
    turn and the place: turn (frame // hold) mod turns, in which changes[firsts[k]] to
    the one before changes[firsts[k + 1]] are those of a place, k being turn x places +
    place."""

CHANGE = np.dtype([("at", "i8"), ("octet", "i8")], align=True)
"""TURNS: an octet of a payload that is another one in some turn."""

Pattern = namedtuple(
    "Pattern", ["rule", "table", "steps", "histories", "key", "firsts", "changes"]
)
"""`RULE` of shape (1,); uint8; int64 and uint64, one a place, the last of them that of
the broadcast packet; uint64 of shape (2,), the key of RANDOM; int64 and `CHANGE` rows
of TURNS."""


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
def _fill_turns(pattern, frame, place, out, at, octets):
    rule = pattern.rule[0]
    _fill_table(pattern.table, pattern.steps[place], out, at, octets)
    turn = (frame // rule.hold) % rule.turns
    row = turn * pattern.steps.shape[0] + place
    for k in range(pattern.firsts[row], pattern.firsts[row + 1]):
        change = pattern.changes[k]
        if change.at < octets:
            out[at + change.at] = np.uint8(change.octet)


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
    elif rule.kind == TURNS:
        _fill_turns(pattern, frame, place, out, at, octets)
    else:
        fill_prbs(pattern.histories, place, rule, out, at, octets)
