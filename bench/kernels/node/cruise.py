"""Many characters at a time where nothing else happens: a shortcut.

On a packed line most interrupts are alike: nothing is lost, the parser has nothing to
decide, a foreground job goes on after them.  Then the number of characters taken and
the time of return follow from a few sums.  And where an interrupt leaves everything as
it found it, only later, so will the next ones: they are taken all at once.

`cruise` goes as far as that carries and leaves the rest to the plain loop; with it
switched off the rows are the same.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted, part
from bench.kernels.node.ahead import interrupt, pace_ns, place, steady
from bench.kernels.node.burst import output_ns
from bench.kernels.node.fifo import asserted, bring_in, enter_receive
from bench.kernels.node.foresight import catch_up, look_ahead
from bench.kernels.node.glide import glide
from bench.kernels.node.line import after
from bench.kernels.node.records import (
    BY_RING,
    DMA,
    FAR,
    FOREGROUND,
    LOOK,
    NO_JOB,
)
from bench.kernels.node.serve import serve
from bench.kernels.node.work import work_ns

__all__ = ["cruise"]

_MANY = np.int64(8)
"""Interrupts from which on it pays to work out how many are alike."""

_ODD = np.int64(2)
"""Interrupts that are not, after which that is not asked again for a while."""


@part
def cruise(spec, node, until_ns, spare):
    """Let characters go by, from the foreground or from a look of the handler."""
    if not spec.plain or node.now_ns < node.masked_until_ns or _is_odd(spec, node):
        return
    while node.i + spec.fifo < node.calm_end:
        if node.phase == LOOK:
            serve(spec, node, until_ns, spare)
        if node.phase != FOREGROUND or output_ns(node) <= node.now_ns:
            break
        if asserted(spec, node):
            enter_receive(spec, node)
            continue
        if node.need == node.taken + 1:
            look_ahead(spec, node)
        if spec.receive == BY_RING:
            glide(spec, node, until_ns)
        else:
            _pass_interrupts(spec, node, until_ns)
        if node.phase == FOREGROUND:
            break
    catch_up(spec, node)


@melted
def _is_odd(spec, node):
    """Whether anything is pending but characters and their interrupt."""
    now_ns = node.now_ns if node.phase == FOREGROUND else node.next_ns
    comes_ns = node.start_ns + spec.ready_ns
    return (
        node.held
        or node.stalled
        or node.timeout_asserted
        or node.complete_pending
        or node.bit_pending
        or node.coming_ns != FAR
        or (spec.arbitration_ns > 0 and spec.method == DMA and comes_ns < node.still_ns)
        or (spec.stolen_ns > 0 and node.job != NO_JOB and now_ns < node.still_ns)
        or node.owed_gap_ns > 0
        or comes_ns > node.timer_ns
    )


@part
def _pass_interrupts(spec, node, until_ns):
    """Whole interrupts, while the parser waits for more than they take."""
    i, start_ns, rem = node.i, node.start_ns, node.start_rem
    now_ns, have, left = node.now_ns, node.accepted - node.taken, node.need - node.taken
    # When a job is done if nothing interrupts it, and what no interrupt puts off.
    job = node.job != NO_JOB
    next_ns = work_ns(spec, node)
    done_ns = next_ns if job else FAR
    limit_ns = output_ns(node)
    if not job:
        limit_ns = min(limit_ns, next_ns)
    worked_ns, interrupts, entered = np.int64(0), np.int64(0), False
    odd = np.int64(0)
    while True:
        entered_ns, takes, come, left_ns = interrupt(
            spec, node, start_ns, rem, now_ns, have
        )
        if (
            entered_ns >= min(done_ns, limit_ns)
            or i + come + 1 >= node.calm_end
            or left_ns >= until_ns
        ):
            break
        if takes >= left or have + come > spec.fifo:
            entered = True
            break
        place_ns, place_rem = place(spec, node, start_ns, rem, come)
        handler_ns, times = left_ns - entered_ns, np.int64(1)
        if takes == come and left > _MANY * takes:
            # All is as it was, only later: as often as nothing comes in the way.
            most = min((node.calm_end - 2 - i) // come, (left - 1) // takes)
            end_ns = min(until_ns - handler_ns, limit_ns) - 1 - entered_ns
            spare_ns = done_ns - 1 - entered_ns
            span_ns = left_ns - now_ns
            if place_rem == rem and place_ns - start_ns == span_ns:
                times = _times(most, (end_ns, spare_ns), span_ns, handler_ns)
                left_ns = now_ns + times * span_ns
                place_ns = start_ns + times * span_ns
            elif odd < _ODD and steady(spec, node, have, takes, come):
                pace = pace_ns(node, come)
                times = _times(most, (end_ns, spare_ns), pace, handler_ns)
                last = (times - 1) * come + spec.trigger - have - 1
                left_ns = after(spec, start_ns, rem, last)[0] + spec.ready_ns
                left_ns += handler_ns
                place_ns, place_rem = after(spec, start_ns, rem, times * come)
            else:
                odd += 1
        worked_ns += left_ns - now_ns - times * handler_ns
        done_ns += times * handler_ns
        interrupts += times
        i += times * come
        have += come - takes
        left -= times * takes
        now_ns = left_ns
        start_ns, rem = place_ns, place_rem
    node.receive_busy_ns += now_ns - node.now_ns - worked_ns
    node.interrupts += interrupts
    if entered:
        come = max(np.int64(0), spec.trigger - have)
        start_ns, rem = place(spec, node, start_ns, rem, come)
        i += come
        worked_ns += entered_ns - now_ns
        now_ns = entered_ns
    bring_in(spec, node, i, start_ns, rem, node.need - node.taken - left)
    node.now_ns = now_ns
    if job:
        node.job_left_ns -= worked_ns
        node.foreground_busy_ns += worked_ns
    if entered:
        enter_receive(spec, node)


@melted
def _times(most, left_ns, span_ns, handler_ns):
    """How many interrupts alike there is time for.

    Args:
        most: There are characters for so many.
        left_ns: How much later one may be entered, at most; and how much foreground
            work is left then.
        span_ns: From one to the next, at most.
        handler_ns: What each of them takes.
    """
    end_ns, spare_ns = left_ns
    times = min(most, 1 + end_ns // span_ns)
    if span_ns > handler_ns:
        times = min(times, 1 + spare_ns // (span_ns - handler_ns))
    return max(times, np.int64(1))
