"""What of the line got into a node's receiver.

The same as `bench.fuzz.oracles.heard`, for very many characters: those that were lost
are left out, the longest gap before any of them is met by the next one that is not, and
a reset forgets all that came before.
"""

from __future__ import annotations

from collections import namedtuple

import numpy as np

from bench.kernels.fuzz import records as r
from bench.kernels.jit import inner, kernel

__all__ = [
    "CLEAR",
    "FAULTY",
    "PAUSED",
    "SILENCED",
    "STARTS",
    "Heard",
    "hear",
    "hear_all",
]

CLEAR, FAULTY, STARTS = range(3)
"""What a character is to a receiver: an octet, one with a line error, or the break or
marked character that begins a packet."""

PAUSED, SILENCED = 1, 2
"""The gap before a character, as far as the packet format cares."""

Heard = namedtuple("Heard", ["octets", "kinds", "gaps", "places", "ends"])
"""uint8; uint8, one of CLEAR, …; uint8, 0, PAUSED or SILENCED; int64 place on the line;
int64, when it ends."""


@kernel
def hear_all(rule, runs, starts, flaws, heard, count):
    """The same where nothing was lost, muted or reset.

    Then octets and places are those of the line, and idle time is only before runs.

    Args:
        rule: `RULE` of `find`, shape (1,).
        runs: `RUN`.
        starts: int64.
        flaws: `FLAW`.
        heard: `Heard`, of which `kinds`, `gaps` and `ends` are written.
        count: How many characters.
    """
    rule = rule[0]
    for k in range(count):
        heard.kinds[k] = np.uint8(0)
        heard.gaps[k] = np.uint8(0)
    for k in range(count):
        heard.ends[k] = starts[k] + rule.character_ns
    for k in range(flaws.shape[0]):
        at = flaws[k].at
        heard.kinds[at] = _kind(rule, flaws[k].kind)
        if flaws[k].kind == r.BREAK:
            heard.ends[at] = starts[at] + flaws[k].length_ns
    for k in range(1, runs.shape[0]):
        at = runs[k].first
        heard.gaps[at] = _gap(rule, starts[at] - heard.ends[at - 1])


@kernel
def hear(rule, octets, starts, flaws, lost, resets, heard, parts):
    """Characters that got in.

    Args:
        rule: `RULE` of `find`, shape (1,).
        octets: uint8, the line.
        starts: int64.
        flaws: `FLAW`.
        lost: int64, places that were lost, ascending.
        resets: int64 (n, 2): place after it, instant.
        heard: `Heard`, written.
        parts: int64 (n + 1, 2), written: where in `heard` each stretch between resets
            ends, and whether a silence was known of by then.

    Returns:
        How many got in.
    """
    rule = rule[0]
    muted = rule.mute
    count, flaw, gone, reset, begun = 0, 0, 0, 0, 0
    owed_ns, last_ns = np.int64(-1), np.int64(-1)
    for place in range(octets.shape[0]):
        if reset < resets.shape[0] and resets[reset, 0] == place:
            at_ns = resets[reset, 1]
            parts[reset, 0] = count
            parts[reset, 1] = _silent(rule, heard, begun, count, at_ns)
            reset += 1
            begun = count
            muted = rule.mute
            owed_ns = last_ns = np.int64(-1)
        kind, octet, lasts_ns = 0, octets[place], rule.character_ns
        if flaw < flaws.shape[0] and flaws[flaw].at == place:
            kind = flaws[flaw].kind
            if kind == r.BREAK:
                octet = np.uint8(0)
                lasts_ns = flaws[flaw].length_ns
            flaw += 1
        start_ns = starts[place]
        # One under way when the node begins anew is forgotten.
        if (
            reset < resets.shape[0]
            and resets[reset, 0] == place + 1
            and start_ns + rule.ready_ns >= resets[reset, 1]
        ):
            if gone < lost.shape[0] and lost[gone] == place:
                gone += 1
            continue
        gap_ns = start_ns - last_ns if last_ns >= 0 else np.int64(-1)
        last_ns = start_ns + lasts_ns
        if rule.mute:
            if kind == r.ADDRESS:
                muted = 0 if _is_mine(rule, octet) else 1
            if muted:
                continue
        owed_ns = max(owed_ns, gap_ns)
        if gone < lost.shape[0] and lost[gone] == place:
            gone += 1
            continue
        heard.octets[count] = octet
        heard.places[count] = place
        heard.ends[count] = last_ns
        heard.gaps[count] = _gap(rule, owed_ns)
        heard.kinds[count] = _kind(rule, kind)
        count += 1
        owed_ns = np.int64(-1)
    parts[reset, 0] = count
    parts[reset, 1] = 1
    return count


@inner
def _silent(rule, heard, begun, count, at_ns):
    """Whether a silence was known of before the node began anew."""
    if count == begun or rule.silence_ns == 0:
        return 0
    return 1 if at_ns - heard.ends[count - 1] >= rule.silence_ns else 0


@inner
def _gap(rule, gap_ns):
    if 0 < rule.silence_ns <= gap_ns:
        return np.uint8(SILENCED)
    if 0 < rule.pause_ns < gap_ns:
        return np.uint8(PAUSED)
    return np.uint8(0)


@inner
def _kind(rule, kind):
    if kind == 0:
        return np.uint8(CLEAR)
    if kind == r.BREAK and rule.delimiter == r.BROKEN:
        return np.uint8(STARTS)
    if kind == r.ADDRESS:
        return np.uint8(STARTS if rule.delimiter == r.NINTH else CLEAR)
    return np.uint8(FAULTY if rule.reject_flaws else CLEAR)


@inner
def _is_mine(rule, octet):
    mine = (np.int64(octet) & rule.mask) == (rule.address & rule.mask)
    for k in range(rule.broadcasts):
        mine |= rule.broadcast[k] == np.int64(octet)
    return mine
