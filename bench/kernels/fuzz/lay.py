"""Whole cases on one line, the good traffic around them in it.

A case begins and ends with the node at rest: what leads it, its attack, a good packet
right after that, as much good traffic as may be taken for the rest of what the attack
began, and when the node has come to rest once more a last good packet.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.fuzz import records as r
from bench.kernels.fuzz.pieces import add_piece, good_piece, pieces_of
from bench.kernels.fuzz.send import idle, put, send_piece
from bench.kernels.jit import inner, kernel
from bench.kernels.philox import below, block

__all__ = ["lay"]

_AROUND = np.int64(15)
"""Which words of a case's choices are for the traffic around it."""


@inner
def _sync(parts, count):
    """A sync after a packet, once the node has come to rest."""
    plan = parts.plan[0]
    if plan.on_sync:
        add_piece(parts, count)
        sync = parts.pieces[count]
        sync.own = 2
        sync.address = parts.broadcasts[0]
        sync.payload = plan.least
        sync.quiet = 1
        count += 1
    return count


@inner
def _before(parts, case):
    """What leads an attack; how many pieces."""
    count = np.int64(0)
    for _ in range(case.before):
        count = good_piece(parts, count)
        count = _sync(parts, count)
        parts.pieces[count - 1].after_ns += parts.plan[0].quiet_ns
    return count


@inner
def _padded(parts, out, missing):
    """Fill the line with pads, if there are any; whether nothing more is to fill it."""
    plan, state = parts.plan[0], parts.state[0]
    if missing > 0 and plan.pad < 0:
        return False
    for _ in range(missing):
        put(plan, state, out, np.uint8(plan.pad))
    return True


@inner
def _after(parts, case, count):
    """The good traffic after an attack."""
    if case.around & 1:
        words = block(parts.keys[0, 0], parts.keys[0, 1], case.number, _AROUND)
        count = good_piece(parts, count)
        plan = parts.plan[0]
        if words[0] & np.uint64(1):
            parts.pieces[count - 1].gap_ns = below(words[1], 8 * plan.character_ns)
        count = _sync(parts, count)
    if case.around & 2:
        add_piece(parts, count)
        piece = parts.pieces[count]
        piece.pads = 1
        if parts.strangers.shape[0]:
            piece.own = 0
            piece.address = parts.strangers[0]
        count += 1
    count = good_piece(parts, count)
    parts.pieces[count - 1].quiet = 1
    return count


@kernel
def lay(parts, out, cases, rows, first):
    """Lay cases from one on.

    Args:
        parts: `Parts`; the line goes on where `state` is.
        out: `Out`, its room for all of them.
        cases: `CASE`.
        rows: int64 (n, 3), of all of them.
        first: Place of the first of them in `out.laid`.

    Returns:
        How many were laid before the room ran out.
    """
    plan, state = parts.plan[0], parts.state[0]
    for index in range(cases.shape[0]):
        if state.octets + plan.case_most > out.octets.shape[0]:
            return index
        case = cases[index]
        laid = out.laid[first + index]
        laid.first = state.octets
        laid.start_ns = state.ns
        state.number = case.number
        state.piece = 0
        begin = count = _before(parts, case)
        for k in range(case.first, case.first + case.rows):
            if count + 10 < r.PIECES:
                count = pieces_of(parts, rows[k, 0], rows[k, 1], rows[k, 2], count)
        attacked = count
        count = _after(parts, case, count)
        last = count - 1
        count = _sync(parts, count)
        since = state.octets
        k = 0
        while k < count:
            piece = parts.pieces[k]
            if k == begin:
                laid.attack_ns = state.ns
            if k == attacked:
                since = state.octets
                laid.good_ns = state.ns
            if k == last:
                _close(parts, out)
                laid.last_ns = state.ns + plan.quiet_ns
            if not piece.pads:
                k += 1
            elif _padded(parts, out, plan.recover - (state.octets - since)):
                k += 1
                continue
            send_piece(parts, out, piece, first + index)
        _close(parts, out)
        idle(state, plan.quiet_ns)
        laid.end_ns = state.ns
    return cases.shape[0]


@inner
def _close(parts, out):
    """Where a packet ends only when another begins: let one begin that is nobody's."""
    plan, state = parts.plan[0], parts.state[0]
    if plan.closer >= 0:
        flaw = out.flaws[state.flaws]
        flaw.at = state.octets
        flaw.length_ns = plan.break_ns
        flaw.kind = r.BREAK if plan.break_ns else r.ADDRESS
        state.flaws += 1
        if plan.break_ns:
            idle(state, 1)
        put(plan, state, out, np.uint8(plan.closer))
        idle(state, plan.break_ns + plan.mark_ns)
