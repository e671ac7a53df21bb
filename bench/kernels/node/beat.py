"""Output-bit interrupts one after another where nothing else comes: a shortcut.

Between two things that the receiver asks for, each tick finds the processor in the
foreground, so its interrupt begins and ends at once where the plain loop would go from
step to step.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted, part
from bench.kernels.node.clock import rollover
from bench.kernels.node.fifo import asserted
from bench.kernels.node.line import after, next_run
from bench.kernels.node.receiver import advance
from bench.kernels.node.records import BY_POLL, BY_RING, FAR, FOREGROUND, NO_JOB, PASS
from bench.kernels.node.ring import until_event
from bench.kernels.node.timer import move_bit
from bench.kernels.node.work import work_ns

__all__ = ["beat"]


@part
def beat(spec, node, until_ns):
    """Whole output-bit interrupts, from the foreground to the foreground."""
    if node.tick_ns == FAR or node.phase != FOREGROUND or _is_odd(spec, node):
        return
    cost_ns = spec.entry_ns + spec.bit_ns + spec.exit_ns
    first_ns, full_ns = _receiver_ns(spec, node)
    job = node.job != NO_JOB
    done_ns = work_ns(spec, node)
    now_ns = node.now_ns
    busy_ns, interrupts = np.int64(0), np.int64(0)
    while node.tick_ns < FAR and node.shown + 2 <= node.shown_room:
        tick_ns = node.tick_ns
        left_ns = tick_ns + cost_ns
        if tick_ns < now_ns or tick_ns >= min(first_ns, done_ns):
            break
        next_ns = node.begin_ns + rollover(spec, node.ticks + 1)
        if left_ns >= min(until_ns, full_ns) or next_ns <= left_ns:
            break
        node.ticks += 1
        node.tick_ns = next_ns
        node.entered += 1
        if node.entered == spec.clocks:
            node.tick_ns = FAR
        move_bit(spec, node, tick_ns + spec.entry_ns)
        interrupts += 1
        if job:
            done_ns += cost_ns
            busy_ns += tick_ns - now_ns
        now_ns = left_ns
        if not job:
            done_ns = max(done_ns, now_ns)
    if interrupts == 0:
        return
    node.interrupts += interrupts
    node.bit_busy_ns += interrupts * cost_ns
    if job:
        node.job_left_ns -= busy_ns
        if node.job != PASS:
            node.foreground_busy_ns += busy_ns
    node.now_ns = now_ns
    # What came meanwhile is in the FIFO: none of it was lost.
    advance(spec, node, now_ns + 1, False)


@melted
def _is_odd(spec, node):
    """Whether anything is pending already, or might be lost unseen."""
    return (
        node.bit_pending
        or node.complete_pending
        or node.held
        or node.stalled
        or node.now_ns < node.masked_until_ns
        or (spec.receive != BY_POLL and asserted(spec, node))
    )


@part
def _receiver_ns(spec, node):
    """When the receiver next asks for the processor, and when it might lose something.

    Or somewhat earlier, where the line is not calm.
    """
    if node.i == node.run_end and node.i < node.line_octets:
        next_run(node)
    polled = spec.receive == BY_POLL
    if node.i >= node.calm_end:
        before_ns = node.start_ns if node.i < node.line_octets else FAR
        return FAR if polled else min(node.timer_ns, before_ns), before_ns
    have = node.accepted - node.taken
    full_ns = _ready_ns(spec, node, spec.fifo - have)
    if polled:
        return FAR, full_ns
    waits = spec.trigger - have
    if spec.receive == BY_RING:
        waits = until_event(spec, node.written)
    return min(node.timer_ns, _ready_ns(spec, node, waits - 1)), full_ns


@melted
def _ready_ns(spec, node, count):
    """When the character so many places after the next completes, at the latest one."""
    count = min(count, node.calm_end - 1 - node.i)
    return after(spec, node.start_ns, node.start_rem, count)[0] + spec.ready_ns
