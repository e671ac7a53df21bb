"""What the matcher's kernels work on: the records, and what their numbers mean.

A node's packets stand in a ring of slots.  The counters of a ring only grow; a slot
lies at its counter modulo the size, which is a power of two.
"""

from __future__ import annotations

import numpy as np

__all__ = ["NODE", "OUTCOME", "RULES", "SLOT"]

PENDING, WAITING, SHOWN, CORRUPT, PASSED = range(5)
"""States of a slot: its last bit, or the sync that releases it, has not yet come; it
may be shown; it was; with wrong data; over: lost unless it turns up."""

(
    IS_SHOWN,
    IS_LOST,
    IS_CORRUPT,
    IS_STRAY,
    IS_REPEATED,
    IS_LATER,
    IS_SHIFTED,
    IS_DARK,
    IS_REST,
    IS_MOVED,
) = range(10)
"""Kinds of outcome.  IS_LATER: shown after all, out of order.  IS_SHIFTED: a burst that
was never latched held this packet, which goes on waiting.  IS_DARK: darkness after
silence.  IS_REST: more of a burst that was decided.  IS_MOVED: the same, and what it
spoilt was this packet and not the other one, which waits again."""

EVERY_NODE = -2  # as the columns have it
DARK, ASK, NOBODY = -3, -2, -1
"""Whose contents a burst holds: those of darkness; not yet looked up; nobody's."""

NEVER = np.iinfo(np.int64).max
LONG_AGO = np.iinfo(np.int64).min

RULES = np.dtype(
    [
        ("window", "i8"),  # packets of a node that wait, or are remembered, at most
        ("memory_ns", "i8"),  # older packets are forgotten
        ("by_content", "i8"),  # 0: by order alone
        ("now_ns", "i8"),  # of every burst; -1: its own first bit
        ("payload_first", "i8"),  # place of payload[0]
        ("bursts", "i8"),  # done so far in this chunk
        ("outcomes", "i8"),  # written so far
    ],
    align=True,
)

NODE = np.dtype(
    [
        ("index", "i8"),
        ("watched", "i8"),  # 0: nobody sees what it shows
        ("start", "i8"),  # where its octets begin in a payload for every node
        ("size", "i8"),  # how many there are; -1: all of it
        ("sync", "i8"),  # 1: it shows on a sync
        ("clocks", "i8"),  # that a burst should have; 0: nobody counts them
        ("dark", "i8"),  # 1: it darkens after silence
        ("oldest", "i8"),  # first slot that is kept
        ("next", "i8"),  # no slot before it is waiting
        ("pulled", "i8"),  # first pending slot
        ("held", "i8"),  # sync: first slot that is not released
        ("end", "i8"),  # one past the last slot
        ("waiting", "i8"),  # how many are
        ("alive", "i8"),  # `pulled` when it last showed anything; -1 for never
        ("heard_ns", "i8"),  # last bit of the last packet that it showed; 0 for none
        ("burst_ns", "i8"),  # beginning of its last burst
        ("part", "i8"),  # slot that this showed or spoilt; -1 for none
    ],
    align=True,
)

SLOT = np.dtype(
    [
        ("sent", "i8"),  # place in the log
        ("last_bit_ns", "i8"),
        ("release_ns", "i8"),  # when it may be shown: then, or by the sync that follows
        ("at", "i8"),  # place of its payload
        ("octets", "i8"),
        ("state", "i8"),
        ("alike", "i8"),  # 1: another one waited that held the same
        ("note", "i8"),  # the caller's
    ],
    align=True,
)

OUTCOME = np.dtype(
    [
        ("kind", "i8"),
        ("node", "i8"),
        ("slot", "i8"),  # counter of the slot, -1 for none
        ("sent", "i8"),  # place in the log, -1 for none
        ("burst", "i8"),  # index in the chunk, -1 for none
        ("alike", "i8"),  # of the slot
        ("bits", "i8"),  # IS_CORRUPT: how many differ
        ("other", "i8"),  # IS_MOVED: place of the other packet; else -1
    ],
    align=True,
)
