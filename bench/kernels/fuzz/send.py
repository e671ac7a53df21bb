"""Pieces on the line's grid, with a row for each."""

from __future__ import annotations

import numpy as np

from bench.kernels.fuzz import records as r
from bench.kernels.fuzz.levels import draw_levels, next_character
from bench.kernels.fuzz.write import write_piece
from bench.kernels.jit import aside, inner

__all__ = ["idle", "put", "send_piece"]

_THINGS = np.int64(64)
"""Pieces of a case whose random octets differ."""

_NONE, _LOW, _MARK = (np.int64(code) for code in (0, r.BREAK, r.ADDRESS))
"""Of one type, since each literal would be compiled anew."""


@inner
def idle(state, ns):
    """The line idles for so long, from the next whole nanosecond on."""
    if ns > 0:
        state.ns += ns + (1 if state.rem > 0 else 0)
        state.rem = 0
        state.open = 0


@inner
def _to_whole(state):
    """On to the next whole nanosecond, if between two."""
    if state.rem > 0:
        state.ns += 1
        state.rem = 0
        state.open = 0


@inner
def _open_run(state, out, start_ns, rem):
    run = out.runs[state.runs]
    run.first = state.octets
    run.start_ns = start_ns
    run.start_rem = rem
    state.runs += 1


@inner
def _flaw(state, out, kind, length_ns):
    """The next character is no plain octet."""
    flaw = out.flaws[state.flaws]
    flaw.at = state.octets
    flaw.kind = kind
    flaw.length_ns = length_ns
    state.flaws += 1


@inner
def put(plan, state, out, octet):
    """One character, right after the one before unless the line idled."""
    if not state.open:
        _open_run(state, out, state.ns, state.rem)
        state.open = 1
    out.octets[state.octets] = octet
    out.starts[state.octets] = state.ns
    state.octets += 1
    rem = state.rem + plan.num
    state.ns += rem // plan.den
    state.rem = rem % plan.den


@inner
def _break(state, out, low_ns, mark_ns):
    """The line is held low, then idle."""
    _to_whole(state)
    _open_run(state, out, state.ns, _NONE)
    _flaw(state, out, _LOW, low_ns)
    out.octets[state.octets] = np.uint8(0)
    out.starts[state.octets] = state.ns
    state.octets += 1
    state.ns += low_ns + mark_ns
    state.rem = 0
    state.open = 0


@inner
def _reset(state, out, ns):
    """The node begins anew at an instant; characters from `octets` on start later."""
    out.resets[state.resets, 0] = state.octets
    out.resets[state.resets, 1] = ns
    state.resets += 1


@inner
def send_piece(parts, out, piece, case):
    """Send a piece, as often as it says.

    Args:
        parts: `Parts`.
        out: `Out`.
        piece: `PIECE`.
        case: The place of its case in the chunk.
    """
    plan, state = parts.plan[0], parts.state[0]
    idle(state, piece.quiet * plan.quiet_ns + piece.gap_ns)
    sequence = state.sequence + piece.sequence
    thing = state.number * _THINGS + state.piece
    first, lead, end, flips = write_piece(parts, piece, sequence, thing)
    state.piece += 1
    if piece.own == 1:
        state.sequence = sequence + 1
    in_levels = (
        piece.offset_ppm != 0
        or piece.drift_ppm != 0
        or piece.spike_at >= 0
        or piece.off != 0
    )
    plain = (
        not in_levels
        and piece.hole_at < 0
        and piece.flaw_at < 0
        and piece.reset_at < 0
        and piece.drip_ns == 0
        and plan.break_ns == 0
        and plan.delimiter != r.NINTH
    )
    for _ in range(max(1, piece.count)):
        row = out.sent[state.sent]
        row.case = case
        row.kind = piece.kind
        row.own = piece.own
        row.sound = piece.sound
        if flips == 0 and (piece.flip_at >= 0 or piece.flips):
            row.sound = 1  # all that was to be wrong lies past its end
        row.first = state.octets
        row.address = piece.address
        row.flips = flips
        row.payload_at = state.payload
        row.payload_octets = 0
        row.start_ns = state.ns
        if piece.sound and piece.own and piece.payload == plan.payload:
            head = parts.packets.shape[0].head
            for k in range(piece.payload):
                out.payload[state.payload + k] = parts.plain[head + k]
            row.payload_octets = piece.payload
            state.payload += piece.payload
        if in_levels:
            _send_levels(parts, out, piece, (first, lead, end))
        elif plain:
            _send_run(parts, out, first, end)
        else:
            _send_octets(parts, out, piece, (first, lead, end))
        row.octets = state.octets - row.first
        row.last_bit_ns = state.ns - plan.idle_ns
        state.sent += 1
        idle(state, piece.after_ns)


@inner
def _send_run(parts, out, first, end):
    """Every octet as one character, nothing between them."""
    plan, state = parts.plan[0], parts.state[0]
    count = end - first
    if count <= 0:
        return
    if not state.open:
        _open_run(state, out, state.ns, state.rem)
        state.open = 1
    at, ns, rem = state.octets, state.ns, state.rem
    for k in range(count):
        out.octets[at + k] = parts.wire[first + k]
    if plan.den == 1:
        for k in range(count):
            out.starts[at + k] = ns + k * plan.num
    else:
        for k in range(count):
            out.starts[at + k] = ns + (rem + k * plan.num) // plan.den
    rem += count * plan.num
    state.ns = ns + rem // plan.den
    state.rem = rem % plan.den
    state.octets += count


@aside
def _send_octets(parts, out, piece, span):
    """Every octet as one character."""
    plan, state = parts.plan[0], parts.state[0]
    first, lead, end = span
    hole = lead + piece.hole_at if piece.hole_at >= 0 else -1
    flaw = lead + piece.flaw_at if piece.flaw_at >= 0 else -1
    cut = lead + piece.reset_at if piece.reset_at >= 0 else -1
    for k in range(first, end):
        if k == lead and plan.break_ns and piece.leading >= 0:
            _break(state, out, plan.break_ns, plan.mark_ns)
        if k == hole:
            idle(state, piece.hole_ns)
        if k == flaw and piece.flaw_kind == r.BREAK:
            _break(state, out, max(piece.flaw_ns, plan.character_ns), _NONE)
        elif k == flaw:
            _flaw(state, out, piece.flaw_kind, _NONE)
        elif k == lead and plan.delimiter == r.NINTH and piece.leading >= 0:
            _flaw(state, out, _MARK, _NONE)
        began_ns = state.ns
        put(plan, state, out, parts.wire[k])
        if k == cut:
            # Within the character: the next one starts after the reset.
            _reset(state, out, began_ns + 1 + piece.reset_ns % (plan.character_ns - 1))
        if piece.drip_ns:
            idle(state, piece.drip_ns)


@aside
def _send_levels(parts, out, piece, span):
    """Level by level, and what a receiver makes of that."""
    plan, state = parts.plan[0], parts.state[0]
    edges = parts.edges
    first, lead, end = span
    _to_whole(state)
    if plan.break_ns and lead < end:
        _break(state, out, plan.break_ns, plan.mark_ns)
    start_ns = state.ns
    mark = lead if plan.delimiter == r.NINTH else -1
    count, end_ns = draw_levels(parts, piece, (first, end), mark, start_ns, edges)
    at = 0
    if piece.off:
        ns = start_ns + piece.reset_at * plan.num // plan.den
        ns = min(ns + piece.reset_ns % plan.character_ns, end_ns)
        while at < count and edges[at] <= ns:
            at += 1
        at += at & 1  # on a low line nothing is read before it rises
        _reset(state, out, ns)
    owed = np.int64(0)
    while True:
        read, at_ns, octet, flaw, length_ns, at, owed = next_character(
            plan, edges, count, at, owed
        )
        if not read:
            break
        _open_run(state, out, at_ns, _NONE)
        if flaw:
            _flaw(state, out, flaw, length_ns)
        out.octets[state.octets] = np.uint8(octet)
        out.starts[state.octets] = at_ns
        state.octets += 1
    state.ns = end_ns
    state.rem = 0
    state.open = 0
    # A receiver that is out of step has time to get over it.
    idle(state, 2 * plan.character_ns)
