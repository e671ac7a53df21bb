"""One receive handler on a calm stretch of the line, looks and all: a shortcut.

The same as the plain loop does action by action, with what changes at every look held
in a few local numbers, and put back into the record when anybody else needs it.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted, part
from bench.kernels.node.fifo import connect, lose
from bench.kernels.node.line import pass_calm
from bench.kernels.node.parser import give_octets
from bench.kernels.node.records import (
    BY_RING,
    DROP,
    FOREGROUND,
    HUNT,
    LEAVE,
    MARKER,
    OCTET,
)
from bench.kernels.node.ring import pass_write
from bench.kernels.node.views import line_octet, survivor, survivor_at
from bench.kernels.pointers import put_octet

__all__ = ["arrive", "serve"]


@part
def serve(spec, node, until_ns, spare):
    """Looks from `next_ns` on, until the handler is left or the calm ends."""
    look_ns = node.next_ns
    allowed = spec.body_limit - node.taken_here
    while look_ns < until_ns and arrive(spec, node, look_ns):
        if allowed == 0 or node.accepted == node.taken:
            _leave(spec, node, look_ns, until_ns)
            return
        waits = node.need - node.taken
        if waits == 1 and node.dropped + spare > node.dropped_room:
            break
        node.first_look = 0
        node.taken += 1
        allowed -= 1
        taken_ns = look_ns
        look_ns += spec.per_character_ns
        if waits == 1 and not _hunts_on(spec, node):
            ours = give_octets(spec, node, taken_ns)
            look_ns += ours * spec.per_packet_ns
    node.taken_here = spec.body_limit - allowed
    node.next_ns = look_ns


@melted
def _hunts_on(spec, node):
    """Whether the octet just taken is nothing to a parser that hunts; then it waits."""
    by_octet = spec.delimiter == OCTET
    if node.mode != HUNT or node.mark < node.marks or node.taken <= node.passed:
        return False
    if not by_octet and spec.delimiter != MARKER:
        return False
    wanted = spec.delimiter_octet if by_octet else spec.marker_first
    if survivor(node, node.taken - 1) == wanted:
        return False
    node.need = node.taken + 1
    return True


@melted
def arrive(spec, node, ns):
    """Characters that complete by an instant; whether it is certain that all did."""
    i, start_ns, rem = node.i, node.start_ns, node.start_rem
    accepted = node.accepted
    full = node.taken + spec.fifo
    before_ns = ns - spec.ready_ns
    if start_ns > before_ns:
        return i < node.calm_end
    while start_ns <= before_ns and i < node.calm_end:
        place = node.first_place + i
        if accepted < full:
            connect(node, accepted, place)
            put_octet(survivor_at(node, accepted), line_octet(node, i))
            accepted += 1
        elif spec.overrun == DROP and node.lost < node.lost_room:
            lose(spec, node, place, start_ns + spec.ready_ns)
        else:
            break
        i += 1
        start_ns += spec.pitch_ns
        rem += spec.pitch_rem
        if rem >= spec.den:
            rem -= spec.den
            start_ns += 1
    if i > node.i:
        if spec.receive == BY_RING:
            pass_write(spec, node, i - node.i)
        pass_calm(spec, node, i, start_ns, rem)
        node.accepted = accepted
    return start_ns > before_ns and i < node.calm_end


@melted
def _leave(spec, node, look_ns, until_ns):
    """A look that takes nothing, and the way out."""
    left_ns = look_ns + spec.exit_ns
    node.first_look = 0
    node.phase = LEAVE
    node.next_ns = left_ns
    if left_ns < until_ns and arrive(spec, node, left_ns):
        node.phase = FOREGROUND
        node.now_ns = left_ns
        node.receive_busy_ns += left_ns - node.since_ns
        node.interrupts += np.int64(1)
