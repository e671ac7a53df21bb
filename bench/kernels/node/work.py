"""The foreground: one job at a time, stretched by interrupts.

Packets are counted as they pass each station (received, picked, returned; rearranging,
rearranged, started, rested), and a buffer's place is its packet's count modulo the
number of buffers: they are used and given back in order.
"""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.burst import begin_burst, rearrange
from bench.kernels.node.records import (
    FAR,
    NO_JOB,
    NO_PORT_WORDS,
    REARRANGE,
    START,
)
from bench.kernels.node.views import (
    dropped_row,
    port_words_at,
    receive_buffer_at,
    slot,
)

__all__ = ["drop", "finish_job", "pick", "rest", "work_ns"]


@part
def drop(node, ns, first, end, reason):
    """A row for a packet that will not be shown."""
    row = dropped_row(node, node.dropped)
    row.ns = ns
    row.first = first
    row.end = end
    row.reason = reason
    node.dropped += 1


@melted
def rest(node, ns):
    """Give the port words back once the kept gap has passed."""
    if node.rested < node.started and node.free_ns <= ns:
        node.rested += 1
        node.free_ns = FAR


@melted
def work_ns(spec, node):
    """When the foreground is done, or has something to do; FAR if never."""
    if node.job != NO_JOB:
        return node.now_ns + node.job_left_ns
    when_ns = FAR
    rested_ns = FAR
    if node.rested < node.started:
        rested_ns = max(node.now_ns, node.free_ns)
    if node.started < node.rearranged:
        when_ns = node.now_ns if node.started == node.rested else rested_ns
    if node.picked < node.received:
        room = node.rearranging - node.rested < spec.word_buffers
        if room or spec.drop_without_words:
            return node.now_ns
        when_ns = min(when_ns, rested_ns)
    return when_ns


@part
def pick(spec, node):
    """The foreground, at `now_ns`, takes up what it can; jobs of no length end here.

    A job that takes time is left in `node.job`.
    """
    while node.job == NO_JOB:
        if node.started < node.rearranged and node.started == node.rested:
            node.job = START
            node.job_left_ns = spec.start_output_ns
        elif node.picked < node.received:
            if node.rearranging - node.rested < spec.word_buffers:
                node.job = REARRANGE
                node.job_left_ns = spec.rearrange_ns
                node.rearranging += 1
            elif spec.drop_without_words:
                place = slot(spec, node, node.picked)
                drop(node, node.now_ns, place.at, place.place, NO_PORT_WORDS)
                node.returned += 1
            else:
                return
            node.picked += 1
        else:
            return
        if node.job != NO_JOB and node.job_left_ns == 0:
            finish_job(spec, node)


@part
def finish_job(spec, node):
    """What follows from the end of the job, at `now_ns`."""
    job = node.job
    node.job = NO_JOB
    if job == REARRANGE:
        payload = receive_buffer_at(spec, node, node.returned)
        rearrange(spec, payload, port_words_at(spec, node, node.rearranged))
        node.returned += 1
        node.rearranged += 1
    else:
        node.started += 1
        begin_burst(spec, node, node.now_ns)
