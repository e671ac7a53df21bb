"""What the schedule's kernel works on: its records, and steps on the line's grid.

`PLAN` holds what never changes in a trial, `STATE` what is carried from chunk to chunk.
A place on the line is (ns, rem), rem in units of 1/den ns, see `bench.base.grid`.
Lengths of time on the line are counted in character pitches, shares in millionths.
"""

from __future__ import annotations

from collections import namedtuple

import numpy as np

from bench.kernels.jit import inner

__all__ = [
    "ASIDE",
    "BROADCAST",
    "FLOOD",
    "FOREIGN",
    "MILLION",
    "OWN",
    "PACKED",
    "PLAN",
    "RECEIVER",
    "STATE",
    "TIMED",
    "WINDOW",
    "Columns",
    "Parts",
    "advance",
    "passed",
    "pitches_to",
    "pitches_to_aim",
    "round_up",
]

PACKED, TIMED, FLOOD = range(3)
OWN, FOREIGN, BROADCAST = range(3)
MILLION = 1_000_000

PLAN = np.dtype(
    [
        ("pacing", "i8"),
        ("nodes", "i8"),
        ("own", "i8"),  # own packets of a frame: one a node, or one for all of them
        ("together", "i8"),  # every packet of a frame aims at its start
        ("every", "i8"),  # frames between broadcast packets; 0: none
        ("packets", "i8"),  # own packets to send; -1: no limit
        ("duration_ns", "i8"),  # own packets must aim before it; -1: no limit
        ("slot_ns", "i8"),  # a frame's period / own, with slot_rem / slot_den
        ("slot_rem", "i8"),
        ("slot_den", "i8"),
        ("num", "i8"),  # the character pitch is num / den ns
        ("den", "i8"),
        ("idle_ns", "i8"),  # of the pitch, after the character
        ("apart", "i8"),  # every packet is a run of its own
        ("silence_ns", "i8"),  # kept after every packet; 0: none
        ("break_ns", "i8"),  # before every packet; 0: none
        ("mark_ns", "i8"),  # after the break
        ("marked", "i8"),  # whether a packet's first character has its ninth bit set
        ("closer", "i8"),  # the octet after the last packet, which ends it; -1: none
        ("around", "i8"),  # pitches of a packet's break, mark and silence
        ("spare", "i8"),  # the same, and one more where starts are rounded up
        ("pad", "i8"),  # the octet that fills; -1: there is none
        ("dither", "i8"),  # millionths
        ("dither_ns", "i8"),  # timed: most that an own packet is late by
        ("share", "i8"),  # of foreign traffic, millionths
        ("least", "i8"),  # payload of foreign packets
        ("most", "i8"),
    ],
    align=True,
)

RECEIVER = np.dtype(
    [
        ("address", "i8"),
        ("tally", "i8"),  # where packets to this address are counted
        ("to", "i8"),  # see `bench.base.columns.SENT`
        ("octets", "i8"),  # of a payload
        ("shown", "i8"),  # whether some node is to show it
        ("window", "i8"),  # the first window of its payload
        ("windows", "i8"),  # how many it has
    ],
    align=True,
)
"""Whom own packets are for: one row for each of a frame, then the broadcast."""

WINDOW = np.dtype([("at", "i8"), ("octets", "i8")], align=True)
"""A part of a payload, which the pattern fills for one place in the frame: a row for
each node, then one for the broadcast."""

ASIDE = np.dtype([("address", "i8"), ("tally", "i8")], align=True)
"""A foreign address."""

STATE = np.dtype(
    [
        ("phase", "i8"),
        ("own", "i8"),  # number of the next own packet
        ("frame", "i8"),  # its frame
        ("node", "i8"),  # and its node, or 0 where it is for all
        ("slot_ns", "i8"),  # when its slot begins; slot_rem / slot_den
        ("slot_rem", "i8"),
        ("aim_ns", "i8"),  # its target
        ("aim_rem", "i8"),
        ("due_ns", "i8"),  # and where it is to start
        ("due_rem", "i8"),
        ("ns", "i8"),  # the next character can start here
        ("rem", "i8"),
        ("kind", "i8"),  # of the next packet
        ("start_ns", "i8"),  # timed: not before
        ("fill", "i8"),  # pads to send before it
        ("size", "i8"),  # octets of payload, if foreign
        ("drawn", "i8"),  # number of the next foreign packet
        ("pitches", "i8"),  # time so far
        ("pitches_ns", "i8"),  # as of here
        ("pitches_rem", "i8"),
        ("foreign", "i8"),  # pitches that foreign packets took
        ("packet", "i8"),  # number of the next packet on the line
        ("first", "i8"),  # index of the chunk's first character
        ("last_ns", "i8"),  # end of the last character
        ("octets", "i8"),  # written to this chunk
        ("rows", "i8"),
        ("runs", "i8"),
        ("flaws", "i8"),
        ("payload", "i8"),
    ],
    align=True,
)

Parts = namedtuple(
    "Parts",
    [
        "plan",  # `PLAN` of shape (1,)
        "state",  # `STATE` of shape (1,)
        "receivers",  # `RECEIVER`
        "windows",  # `WINDOW`
        "aside",  # `ASIDE`
        "sizes",  # int64, foreign payloads are drawn from
        "tallies",  # int64, packets so far to each address
        "keys",  # uint64 (3, 2): dither, foreign choices, foreign content
        "packets",  # `bench.kernels.packets.Packets`
        "pattern",  # `bench.kernels.payload.Pattern`
        "plain",  # uint8, room for one packet before stuffing
    ],
)

Columns = namedtuple("Columns", ["octets", "rows", "runs", "flaws", "payload"])
"""The chunk that is written; see `bench.base.columns`."""


@inner
def advance(plan, state, pitches):
    """Move the line on by so many characters."""
    rem = state.rem + pitches * plan.num
    state.ns += rem // plan.den
    state.rem = rem % plan.den


@inner
def round_up(state):
    """The first whole nanosecond at which the next character can start."""
    return state.ns + (1 if state.rem > 0 else 0)


@inner
def passed(plan, state):
    """Whole character pitches from the start of the trial until here."""
    time = (state.ns - state.pitches_ns) * plan.den + state.rem - state.pitches_rem
    pitches = time // plan.num
    state.pitches += pitches
    end = state.pitches_rem + pitches * plan.num
    state.pitches_ns += end // plan.den
    state.pitches_rem = end % plan.den
    return state.pitches


@inner
def pitches_to(plan, state, ns, rem):
    """Characters that fit between here and a place of the line's grid."""
    return ((ns - state.ns) * plan.den + rem - state.rem) // plan.num


@inner
def pitches_to_aim(plan, state):
    """Characters that fit between here and the target, which has a grid of its own.

    The target's fraction of a nanosecond matters only where the next character would
    end in that same nanosecond.
    """
    ns, rem = state.aim_ns, state.aim_rem
    pitches = pitches_to(plan, state, ns, 0)
    end = state.rem + (pitches + 1) * plan.num
    within = (end % plan.den) * plan.slot_den <= rem * plan.den
    return pitches + (1 if within and state.ns + end // plan.den == ns else 0)
