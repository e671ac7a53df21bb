"""The schedule's kernel: writes one whole chunk of the line from a state it carries.

It goes through own packets one by one: takes the next one up, fills the gap to it,
sends it, and a broadcast packet after it where one is due.  Before anything is written
it is known to fit: a chunk ends before the first packet that could go past its bound,
but never empty.  Pads may be cut anywhere.
"""

from __future__ import annotations

from bench.kernels.jit import inner, kernel
from bench.kernels.line.gap import longest, next_item, next_own
from bench.kernels.line.send import send_closer, send_packet, send_pads
from bench.kernels.line.state import (
    BROADCAST,
    FOREIGN,
    OWN,
    TIMED,
    Columns,
    round_up,
)

__all__ = ["Columns", "write"]

_TAKE, _FILL, _SEND, _CLOSE, _DONE = range(5)
"""What is done next: take the next own packet up, send pads, send a packet, send what
ends the last one, nothing."""


@inner
def _take(parts):
    """Take the next own packet up, if there is one; returns the phase."""
    state = parts.state[0]
    if next_own(parts):
        next_item(parts)
        return _FILL
    return _CLOSE if parts.plan[0].closer >= 0 and state.own > 0 else _DONE


@inner
def _after(plan, state):
    """What follows the packet just sent: the phase."""
    if state.kind == FOREIGN:
        return _FILL
    closes = state.kind == OWN and state.node == plan.own - 1
    if closes and plan.every > 0 and (state.frame + 1) % plan.every == 0:
        state.kind = BROADCAST
        state.start_ns = state.ns
        return _SEND
    state.own += 1
    state.node += 1
    if state.node == plan.own:
        state.node = 0
        state.frame += 1
    return _TAKE


@inner
def _most_octets(parts):
    """Most characters of the packet that is next."""
    plan = parts.plan[0]
    state = parts.state[0]
    octets = state.size
    if state.kind != FOREIGN:
        place = state.node if state.kind == OWN else plan.own
        octets = parts.receivers[place].octets
    return longest(parts.packets.shape[0], octets) + (1 if plan.break_ns > 0 else 0)


@kernel
def write(parts, columns, most):
    """Write the next chunk, about `most` characters.

    Args:
        parts: A `Parts`; its state, tallies and histories are carried on.
        columns: A `Columns` with room for `most` characters and one packet more.
        most: Most characters, but for one packet that is longer.

    Returns:
        No character that is not written yet starts before this instant.
    """
    plan = parts.plan[0]
    state = parts.state[0]
    state.octets = state.rows = state.runs = state.flaws = state.payload = 0
    while state.phase != _DONE:
        if state.phase == _TAKE:
            state.phase = _take(parts)
        elif state.phase == _CLOSE:
            if state.octets >= most or state.flaws == columns.flaws.shape[0]:
                break
            send_closer(plan, state, columns)
            state.phase = _DONE
        elif state.phase == _FILL and state.fill > 0:
            if state.octets >= most:
                break
            send_pads(plan, state, columns, most)
        elif state.phase == _FILL:
            state.phase = _SEND
        else:
            full = state.octets + _most_octets(parts) > most
            if state.octets > 0 and (full or state.rows == columns.rows.shape[0]):
                break
            send_packet(parts, columns)
            state.phase = _after(plan, state)
            if state.phase == _FILL:
                next_item(parts)
    state.first += state.octets
    if state.phase == _DONE:
        return state.last_ns
    if plan.pacing == TIMED:
        return max(state.start_ns, round_up(state))
    return state.ns
