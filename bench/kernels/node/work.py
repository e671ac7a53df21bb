"""The foreground: one job at a time, stretched by interrupts and by stolen cycles.

Packets are counted as they pass each station (received, picked, returned; rearranging,
rearranged, released, started, rested), and a buffer's place is its packet's count
modulo the number of buffers: they are used and given back in order.
"""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.burst import begin_burst
from bench.kernels.node.records import (
    BY_POLL,
    FAR,
    HANDLE,
    NO_JOB,
    NO_PORT_WORDS,
    NOT_SYNCED,
    PASS,
    REARRANGE,
    START,
    SYNC_EARLY,
    TO_LOOK,
    TO_PASS,
    TO_PICK,
)
from bench.kernels.node.stolen import end_of_job
from bench.kernels.node.views import (
    dropped_row,
    port_words_at,
    receive_buffer_at,
    slot,
    word_slot,
)
from bench.kernels.node.words import put_words

__all__ = ["drop", "due_ns", "finish_job", "pick", "rest", "sync", "take_up", "work_ns"]


@part
def drop(node, ns, first, end, reason):
    """A row for a packet that will not be shown."""
    row = dropped_row(node, node.dropped)
    row.ns = ns
    row.first = first
    row.end = end
    row.reason = reason
    node.dropped += 1


@part
def sync(node):
    """A sync was received: what is held is released."""
    node.synced = node.received
    node.released = node.rearranged


@melted
def rest(node, ns):
    """Give the output back, and its port words, once the kept gap has passed."""
    if node.free_ns <= ns:
        node.free_ns = FAR
        if node.dark:
            node.dark = 0
        else:
            node.rested += 1


@melted
def _at_rest(node):
    """Whether the output stands still and its kept gap has passed."""
    return node.started == node.rested and not node.dark


@melted
def work_ns(spec, node):
    """When the foreground is done, or has something to do; FAR if never."""
    if node.job != NO_JOB:
        if spec.stolen_ns:
            return end_of_job(spec, node)
        return node.now_ns + node.job_left_ns
    if spec.receive == BY_POLL:
        return node.now_ns
    return due_ns(spec, node)


@melted
def due_ns(spec, node):
    """When there is something to pick up; FAR if never."""
    when_ns = FAR
    rested_ns = FAR
    if node.free_ns != FAR:
        rested_ns = max(node.now_ns, node.free_ns)
    if node.started < node.released:
        when_ns = node.now_ns if _at_rest(node) else rested_ns
    elif node.dark_due_ns != FAR:
        when_ns = max(node.now_ns, node.dark_due_ns)
        if not _at_rest(node):
            when_ns = max(when_ns, rested_ns)
    if node.picked < node.received:
        room = node.rearranging - node.rested < spec.word_buffers
        if room or spec.drop_without_words:
            return node.now_ns
        when_ns = min(when_ns, rested_ns)
    return when_ns


@melted
def take_up(spec, node, job, cost_ns):
    """A job begins at `now_ns`."""
    node.job = job
    node.job_left_ns = cost_ns
    node.masked_until_ns = node.now_ns + spec.masked_ns


@part
def pick(spec, node):
    """The foreground, at `now_ns`, takes up what it can; jobs of no length end here.

    A job that takes time is left in `node.job`.  A polled loop picks once in a pass.
    """
    polled = spec.receive == BY_POLL
    while node.job == NO_JOB:
        if polled:
            if node.loop == TO_PASS:
                node.job = PASS
                node.job_left_ns = spec.pass_ns
                return
            if node.loop == TO_LOOK:
                return
        if node.started < node.released and _at_rest(node):
            node.dark_job = 0
            take_up(spec, node, START, spec.start_output_ns)
        elif node.picked < node.received and _has_words(spec, node):
            take_up(spec, node, REARRANGE, spec.rearrange_ns)
            node.rearranging += 1
            node.picked += 1
        elif node.picked < node.received and spec.drop_without_words:
            place = slot(spec, node, node.picked)
            drop(node, node.now_ns, place.at, place.place, NO_PORT_WORDS)
            node.returned += 1
            node.picked += 1
            continue
        elif node.dark_due_ns <= node.now_ns and _at_rest(node):
            node.dark_due_ns = FAR
            node.dark_job = 1
            take_up(spec, node, START, spec.start_output_ns)
        elif not polled:
            return
        node.loop = TO_PASS
        if node.job != NO_JOB and node.job_left_ns == 0:
            finish_job(spec, node)
            if node.tick_ns <= node.now_ns:
                # An interrupt comes before whatever would be picked next.
                return


@melted
def _has_words(spec, node):
    """Whether a port-word buffer is free."""
    return node.rearranging - node.rested < spec.word_buffers


@part
def finish_job(spec, node):
    """What follows from the end of the job, at `now_ns`."""
    job = node.job
    node.job = NO_JOB
    node.masked_until_ns = min(node.masked_until_ns, node.now_ns)
    if job == REARRANGE:
        _rearranged(spec, node)
    elif job == START:
        if node.dark_job:
            node.dark = 1
        else:
            node.started += 1
        begin_burst(spec, node, node.now_ns)
    elif job == PASS:
        node.loop = TO_LOOK
    elif job == HANDLE:
        node.loop = TO_PICK


@part
def _rearranged(spec, node):
    """A packet has become port words; a receive buffer is given back."""
    count = node.rearranged
    if spec.on_sync and node.released < node.rearranged:
        # It takes the place of the one that is held.
        count -= 1
        held = word_slot(spec, node, count)
        early = held.early != 0
        drop(
            node, node.now_ns, held.at, held.place, SYNC_EARLY if early else NOT_SYNCED
        )
        node.rearranging -= 1
    payload = receive_buffer_at(spec, node, node.returned)
    put_words(spec, payload, port_words_at(spec, node, count))
    taken, kept = slot(spec, node, node.returned), word_slot(spec, node, count)
    kept.at = taken.at
    kept.place = taken.place
    kept.early = node.returned < node.synced
    node.returned += 1
    node.rearranged = count + 1
    if not spec.on_sync:
        node.released = node.rearranged
