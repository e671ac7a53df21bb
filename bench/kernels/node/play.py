"""The loop over instants that joins receiver, processor, parser and output."""

from __future__ import annotations

from bench.kernels.jit import kernel, melted, part
from bench.kernels.node.burst import settle, stop_clock
from bench.kernels.node.cruise import cruise
from bench.kernels.node.line import make_room
from bench.kernels.node.parser import give_gap, give_octets
from bench.kernels.node.receiver import advance, asserted, enter_receive, look_takes
from bench.kernels.node.records import (
    FAR,
    FOREGROUND,
    FULL,
    LEAVE,
    LEAVE_STOP,
    LOOK,
    NO_JOB,
    REACHED,
    STOP,
)
from bench.kernels.node.views import traced_row
from bench.kernels.node.work import finish_job, pick, rest, work_ns

__all__ = ["play"]

_RECEIVE, _COMPLETE = 1, 2


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
            cruise(spec, node, until_ns, spare)
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
        or (node.traced_room and node.traced == node.traced_room)
    )


@part
def _foreground(spec, node, until_ns):
    """From `now_ns` to the next thing that changes what the processor does.

    Returns 0, or 1 + REACHED or FULL when the call is over.
    """
    done_ns = work_ns(spec, node)
    complete_ns = max(node.complete_ns, node.now_ns)
    limit_ns = min(done_ns, complete_ns, until_ns)
    if node.complete_pending:
        limit_ns = min(limit_ns, node.now_ns)
    ready_ns = node.now_ns
    if not asserted(spec, node):
        state, ready_ns = advance(spec, node, limit_ns, True)
        if state == FULL:
            return 1 + FULL
    if ready_ns < limit_ns:
        _spend(node, ready_ns)
        enter_receive(spec, node)
        return 0
    if limit_ns == until_ns:
        _spend(node, until_ns)
        return 1 + REACHED

    # One instant, in its order: ends, the line, the timeout, the processor.
    _spend(node, limit_ns)
    if node.job != NO_JOB and node.job_left_ns == 0:
        finish_job(spec, node)
    rest(node, limit_ns)
    if node.complete_ns <= limit_ns:
        node.complete_ns = FAR
        node.complete_pending = 1
    state, _ = advance(spec, node, limit_ns + 1, False)
    if state == FULL:
        return 1 + FULL
    if asserted(spec, node):
        enter_receive(spec, node)
    elif node.complete_pending:
        _enter_complete(spec, node)
    else:
        pick(spec, node)
    return 0


@melted
def _spend(node, ns):
    """The foreground had the processor up to `ns`."""
    if node.job != NO_JOB:
        node.job_left_ns -= ns - node.now_ns
        node.foreground_busy_ns += ns - node.now_ns
    node.now_ns = ns


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
        stop_clock(spec, node, now_ns)
        node.phase = LEAVE_STOP
        node.next_ns = now_ns + spec.exit_ns
    else:
        _leave(node, now_ns)
    return 0


@part
def _look(spec, node, now_ns):
    """One look at the FIFO."""
    if node.first_look:
        node.first_look = 0
        node.stalled = 0
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


@melted
def _leave(node, now_ns):
    """Back to the foreground."""
    busy_ns = now_ns - node.since_ns
    kind = _RECEIVE if node.phase == LEAVE else _COMPLETE
    if kind == _RECEIVE:
        node.receive_busy_ns += busy_ns
    else:
        node.complete_busy_ns += busy_ns
    node.interrupts += 1
    if node.traced_room:
        row = traced_row(node, node.traced)
        row.start_ns = node.since_ns
        row.end_ns = now_ns
        row.kind = kind
        node.traced += 1
    node.phase = FOREGROUND
    node.now_ns = now_ns
