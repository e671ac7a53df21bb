"""Characters into the FIFO, the idle timeout, and what is lost on the way.

Everything here is hardware: it happens at its instant whatever the processor does, and
costs the processor nothing.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted, part
from bench.kernels.node.examine import answers
from bench.kernels.node.fifo import accept, asserted, lose
from bench.kernels.node.line import next_run, step
from bench.kernels.node.records import (
    BY_RING,
    DROP,
    FAR,
    FULL,
    HOLD,
    REACHED,
    SILENT,
    STALL,
)
from bench.kernels.node.ring import come, send_to_ring
from bench.kernels.node.views import line_flaw, line_octet

__all__ = ["advance"]

_BREAK_ON_LINE, _ADDRESS_ON_LINE = 3, 4  # of `Flaw` in bench.base.columns


@melted
def _gap_that_counts(spec, gap_ns):
    """An idle time if the packet format cares for one so long, else 0."""
    if 0 < spec.silence_ns <= gap_ns or 0 < spec.pause_ns < gap_ns:
        return gap_ns
    return 0


@part
def _complete(spec, node):
    """The character under the cursor completes, and the cursor moves on."""
    at = node.i
    ns = node.start_ns + spec.ready_ns
    length_ns = spec.character_ns
    flaw = 0
    if at == node.flaw_at:
        row = line_flaw(node, node.flaw)
        flaw = row.kind
        if flaw == _BREAK_ON_LINE:
            length_ns = row.length_ns
        node.flaw += 1
        more = node.flaw < node.line_flaws
        node.flaw_at = line_flaw(node, node.flaw).at if more else FAR
    gap_ns = _gap_that_counts(spec, node.start_ns - node.last_end_ns)
    node.last_end_ns = node.start_ns + length_ns
    place = node.first_place + at
    octet = line_octet(node, at)
    step(spec, node)

    node.silence_waits_ns = 0
    if spec.idle_timeout_ns:
        node.timer_ns = ns + spec.idle_timeout_ns
    if spec.level:
        node.timeout_asserted = 0
    if spec.mute and _is_muted(spec, node, octet, flaw):
        return
    if spec.receive == BY_RING:
        send_to_ring(spec, node, ns, place, octet, flaw, gap_ns)
        return
    if node.held:
        lose(spec, node, node.held_place, ns)
        gap_ns = max(gap_ns, node.held_gap_ns)
        node.held = 0
    if not node.stalled and node.accepted - node.taken < spec.fifo:
        accept(spec, node, place, octet, flaw, gap_ns)
    elif not node.stalled and spec.overrun != DROP and spec.overrun != STALL:
        node.held = 1
        node.held_place = place
        node.held_octet = octet
        node.held_flaw = flaw
        node.held_gap_ns = gap_ns
    else:
        node.stalled |= spec.overrun == STALL
        node.owed_gap_ns = max(node.owed_gap_ns, gap_ns)
        lose(spec, node, place, ns)


@part
def _is_muted(spec, node, octet, flaw):
    """Whether a receiver that hears addresses keeps this character to itself."""
    if flaw == _ADDRESS_ON_LINE:
        node.muted = not answers(spec, node, np.int64(octet))
    return node.muted != 0


@part
def _fire(spec, node):
    """The idle timeout; it fires once, until something restarts it."""
    ns = node.timer_ns
    node.timer_ns = FAR
    if node.accepted > node.taken or spec.idle_on_empty:
        node.timeout_asserted = 1
        if spec.delimiter == SILENT:
            node.silence_waits_ns = ns - node.last_end_ns


@melted
def _dies(spec, node, start_ns):
    """Whether a start bit that ends a held character comes before the timeout."""
    return node.held and spec.overrun == HOLD and start_ns <= node.timer_ns


@part
def _die(spec, node, ns):
    """The character that is held does not outlive a start bit."""
    node.held = 0
    node.owed_gap_ns = max(node.owed_gap_ns, node.held_gap_ns)
    lose(spec, node, node.held_place, ns)


@part
def advance(spec, node, limit_ns, until_asserted):
    """Let the line and the timer run up to an instant, itself left out.

    Args:
        spec: `SPEC`.
        node: `NODE`; a lost character makes a row.
        limit_ns: Nothing from this instant on is touched.
        until_asserted: Whether to come back when the receive interrupt is asserted.

    Returns:
        (REACHED or FULL, the instant of the event that asserted the interrupt, or FAR).
    """
    while True:
        if node.i == node.run_end and node.i < node.line_octets:
            next_run(node)
        start_ns = node.start_ns if node.i < node.line_octets else FAR
        ready_ns = start_ns + spec.ready_ns
        now_ns = min(ready_ns, node.timer_ns, node.coming_ns)
        if _dies(spec, node, start_ns) and start_ns < limit_ns:
            if node.lost == node.lost_room:
                return FULL, FAR
            _die(spec, node, start_ns)
        if now_ns >= limit_ns:
            return REACHED, FAR
        if node.lost >= node.lost_room - spec.lost_spare:
            return FULL, FAR
        if node.coming_ns == now_ns:
            come(spec, node)
        elif ready_ns > node.timer_ns:
            _fire(spec, node)
        else:
            _complete(spec, node)
        if until_asserted and asserted(spec, node):
            return REACHED, now_ns
