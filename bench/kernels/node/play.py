"""The loop over instants that joins receiver, processor, parser and output."""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import kernel, melted, part
from bench.kernels.node.beat import beat
from bench.kernels.node.burst import output_events, output_ns, stop
from bench.kernels.node.cruise import cruise
from bench.kernels.node.fifo import asserted, enter_receive, look_takes
from bench.kernels.node.latch import settle
from bench.kernels.node.line import make_room
from bench.kernels.node.parser import give_gap, give_octets
from bench.kernels.node.patrol import patrol
from bench.kernels.node.receiver import advance
from bench.kernels.node.records import (
    BIT,
    BY_POLL,
    COMPLETED,
    FAR,
    FOREGROUND,
    FULL,
    HANDLE,
    LEAVE,
    LEAVE_MOVE,
    LEAVE_STOP,
    LOOK,
    MOVE,
    NO_JOB,
    PASS,
    REACHED,
    RECEIVE,
    STOP,
    TIMER,
    TO_LOOK,
    TO_PICK,
)
from bench.kernels.node.stolen import progress_ns
from bench.kernels.node.timer import enter_bit, move_bit
from bench.kernels.node.views import trace
from bench.kernels.node.work import finish_job, pick, rest, work_ns

__all__ = ["play"]


@kernel
def play(specs, nodes, until_ns, spare, shortcuts):
    """Play one node over what it has been given of the line.

    Args:
        specs: `SPEC`, shape (1,).
        nodes: `NODE`, shape (1,); carried, and left between two instants.  Its line
            holds every character that starts before `until_ns` and that it has not met
            yet, its rows are empty.
        until_ns: Nothing at or after this instant happens yet.
        spare: Rows that one action may need.
        shortcuts: Whether whole interrupts may be taken at a time.

    Returns:
        REACHED, or FULL if rows ran out: to be called again with empty rows.
    """
    # Arrays of one record: numba takes long to find the type of a bare one.
    spec = specs[0]
    node = nodes[0]
    while True:
        make_room(spec, nodes)
        if _no_room(node, spare):
            return FULL
        if shortcuts:
            if spec.receive == BY_POLL and not spec.mute:
                patrol(spec, node, until_ns, spare)
            else:
                cruise(spec, node, until_ns, spare)
            if spec.method == TIMER:
                beat(spec, node, until_ns)
        if node.phase == FOREGROUND:
            ended = _foreground(spec, node, until_ns)
        elif node.next_ns >= until_ns:
            state, _ = advance(spec, node, until_ns, False)
            ended = state + 1
        else:
            ended = _handler(spec, node)
        if ended:
            break
    if ended - 1 == REACHED and node.end_ns + spec.latch_gap_ns < until_ns:
        settle(spec, node, FAR)
    return ended - 1


@melted
def _no_room(node, spare):
    """Whether the rows might not hold what the next action makes."""
    return (
        node.shown + 2 > node.shown_room
        or node.dropped + spare > node.dropped_room
        or (node.traced_room and node.traced + 4 > node.traced_room)
    )


@part
def _foreground(spec, node, until_ns):
    """From `now_ns` to the next thing that changes what the processor does.

    Returns 0, or 1 + REACHED or FULL when the call is over.
    """
    output_events(spec, node, node.now_ns)
    done_ns = work_ns(spec, node)
    limit_ns = min(done_ns, output_ns(node), until_ns)
    masked = node.now_ns < node.masked_until_ns
    if masked:
        limit_ns = min(limit_ns, node.masked_until_ns)
    elif node.complete_pending or node.bit_pending:
        limit_ns = min(limit_ns, node.now_ns)
    ready_ns = node.now_ns
    if masked or spec.receive == BY_POLL or not asserted(spec, node):
        wakes = not masked and spec.receive != BY_POLL
        state, ready_ns = advance(spec, node, limit_ns, wakes)
        if state == FULL:
            return 1 + FULL
    if ready_ns < limit_ns:
        _spend(spec, node, ready_ns, done_ns)
        enter_receive(spec, node)
        return 0
    if limit_ns == until_ns:
        _spend(spec, node, until_ns, done_ns)
        return 1 + REACHED

    # One instant, in its order: ends, the line, the timeout, the processor.
    _spend(spec, node, limit_ns, done_ns)
    if node.job != NO_JOB and node.job_left_ns == 0:
        finish_job(spec, node)
    rest(node, limit_ns)
    output_events(spec, node, limit_ns)
    state, _ = advance(spec, node, limit_ns + 1, False)
    if state == FULL:
        return 1 + FULL
    _act(spec, node)
    return 0


@melted
def _spend(spec, node, ns, done_ns):
    """The foreground had the processor up to `ns`."""
    if node.job != NO_JOB:
        if node.job != PASS:
            node.foreground_busy_ns += ns - node.now_ns
        if ns == done_ns:
            node.job_left_ns = 0
        elif spec.stolen_ns:
            node.job_left_ns -= progress_ns(spec, node, ns)
        else:
            node.job_left_ns -= ns - node.now_ns
    node.now_ns = ns


@melted
def _act(spec, node):
    """The processor, in the foreground, at `now_ns`."""
    which = np.int64(0)
    if node.now_ns >= node.masked_until_ns:
        which = _pending(spec, node)
    if which == RECEIVE:
        enter_receive(spec, node)
    elif which == COMPLETED:
        _enter_complete(spec, node)
    elif which == BIT:
        enter_bit(spec, node)
    else:
        pick(spec, node)
        if node.job == NO_JOB and spec.receive == BY_POLL and node.loop == TO_LOOK:
            _poll(spec, node)
            pick(spec, node)


@melted
def _pending(spec, node):
    """The interrupt that goes first, or 0."""
    receive = spec.receive != BY_POLL and asserted(spec, node)
    if receive and spec.first == RECEIVE:
        return RECEIVE
    for which in (spec.first, spec.second, spec.third):
        if which == RECEIVE and receive:
            return RECEIVE
        if which == COMPLETED and node.complete_pending:
            return COMPLETED
        if which == BIT and node.bit_pending:
            return BIT
    return np.int64(0)


@melted
def _enter_complete(spec, node):
    node.phase = STOP
    node.complete_pending = 0
    node.since_ns = node.now_ns
    node.next_ns = node.now_ns + spec.entry_ns + spec.stop_latency_ns


@part
def _handler(spec, node):
    """One action of an interrupt handler, at `next_ns`; returns as `_foreground`."""
    now_ns = node.next_ns
    state, _ = advance(spec, node, now_ns + 1, False)
    if state == FULL:
        return 1 + FULL
    if node.phase == LOOK:
        _look(spec, node, now_ns)
    elif node.phase == STOP:
        stop(spec, node, now_ns)
        node.phase = LEAVE_STOP
        node.next_ns = now_ns + spec.exit_ns
    elif node.phase == MOVE:
        move_bit(spec, node, now_ns)
        node.phase = LEAVE_MOVE
        node.next_ns = now_ns + spec.bit_ns + spec.exit_ns
    else:
        _leave(node, now_ns)
    return 0


@part
def _look(spec, node, now_ns):
    """One look at the FIFO."""
    if node.first_look:
        node.first_look = 0
        node.stalled &= spec.keeps_error
    empty = node.accepted == node.taken
    if not empty and node.taken_here < spec.body_limit:
        look_takes(spec, node, now_ns)
        node.next_ns = now_ns + spec.per_character_ns
        if node.taken >= node.need:
            ours = give_octets(spec, node, now_ns)
            node.next_ns += ours * spec.per_packet_ns
        return
    node.phase = LEAVE
    node.next_ns = now_ns + spec.exit_ns
    if empty:
        if spec.level:
            node.timeout_asserted = 0
        if node.silence_waits_ns:
            ours = give_gap(spec, node, now_ns)
            node.next_ns += ours * spec.per_packet_ns


@part
def _poll(spec, node):
    """A look of the polled loop, at `now_ns`; a job if there is something to handle."""
    node.stalled &= spec.keeps_error
    node.loop = TO_PICK
    cost_ns = np.int64(0)
    if node.accepted > node.taken:
        look_takes(spec, node, node.now_ns)
        cost_ns = spec.per_character_ns
        if node.taken >= node.need:
            ours = give_octets(spec, node, node.now_ns)
            cost_ns += ours * spec.per_packet_ns
    elif node.silence_waits_ns:
        cost_ns = give_gap(spec, node, node.now_ns) * spec.per_packet_ns
    if cost_ns:
        node.job = HANDLE
        node.job_left_ns = cost_ns


@melted
def _leave(node, now_ns):
    """Back to the foreground."""
    busy_ns = now_ns - node.since_ns
    kind = BIT
    if node.phase == LEAVE:
        kind = RECEIVE
        node.receive_busy_ns += busy_ns
    elif node.phase == LEAVE_STOP:
        kind = COMPLETED
        node.complete_busy_ns += busy_ns
    else:
        node.bit_busy_ns += busy_ns
    node.interrupts += 1
    trace(node, node.since_ns, now_ns, kind)
    node.phase = FOREGROUND
    node.now_ns = now_ns
