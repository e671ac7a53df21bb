"""Whole interrupts of a ring in memory at a time: a shortcut, for `cruise`.

Characters come into the ring by themselves, so only where the interrupt is asserted,
how many characters it finds, and when it returns have to be worked out: a few divisions
for half a ring.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted, part
from bench.kernels.node.burst import output_ns
from bench.kernels.node.fifo import bring_in, enter_receive
from bench.kernels.node.line import after
from bench.kernels.node.records import FAR, NO_JOB
from bench.kernels.node.ring import until_event
from bench.kernels.node.work import work_ns

__all__ = ["glide"]

_MANY = np.int64(2)
"""Interrupts from which on it pays to work out how many are alike."""


@melted
def _come(spec, start_ns, rem, ns):
    """Characters that completed by an instant, the first to start at `start_ns`."""
    span_ns = ns - spec.ready_ns - start_ns
    if span_ns < 0:
        return np.int64(0)
    step = spec.pitch_ns * spec.den + spec.pitch_rem
    return ((span_ns + 1) * spec.den - 1 - rem) // step + 1


@melted
def _looks(spec, start_ns, rem, have, entered_ns):
    """Characters that a handler takes, and when it is left.

    Looks go in rounds: as many as there are characters, then those that came.  A
    handler that finds more than the ring holds is too long for a shortcut.
    """
    look_ns, takes = entered_ns + spec.entry_ns, np.int64(0)
    found = have + _come(spec, start_ns, rem, look_ns)
    while min(found, spec.body_limit) > takes and found <= spec.fifo:
        more = min(found, spec.body_limit) - takes
        takes += more
        look_ns += more * spec.per_character_ns
        found = have + _come(spec, start_ns, rem, look_ns)
    return takes, look_ns + spec.exit_ns


@part
def glide(spec, node, until_ns):
    """Whole interrupts, while the parser waits for more than they take."""
    i, start_ns, rem, written = node.i, node.start_ns, node.start_rem, node.written
    now_ns, have, left = node.now_ns, node.accepted - node.taken, node.need - node.taken
    job = node.job != NO_JOB
    next_ns = work_ns(spec, node)
    done_ns = next_ns if job else FAR
    limit_ns = output_ns(node)
    if not job:
        limit_ns = min(limit_ns, next_ns)
    latched, enters = node.trigger_latched, False
    # Characters after which events come as they came before.
    round_trip = spec.ring // 2 if spec.half and spec.ring % 2 == 0 else spec.ring
    worked_ns, interrupts = np.int64(0), np.int64(0)
    while True:
        come, entered_ns = np.int64(0), now_ns
        if not latched:
            come = until_event(spec, written)
            entered_ns = after(spec, start_ns, rem, come - 1)[0] + spec.ready_ns
        late = entered_ns >= min(done_ns, limit_ns)
        if late or i + come + 1 >= node.calm_end or have + come > spec.fifo:
            break
        takes, left_ns = _looks(spec, start_ns, rem, have, entered_ns)
        all_come = _come(spec, start_ns, rem, left_ns)
        if left_ns >= until_ns or i + all_come + 1 >= node.calm_end:
            break
        if takes >= left or have + all_come > spec.fifo:
            enters = True
            break
        place_ns, place_rem = after(spec, start_ns, rem, all_come)
        turned = (written + all_come) % spec.ring
        again = _passes_event(spec, (written + come) % spec.ring, all_come - come)
        times, span_ns = np.int64(1), left_ns - now_ns
        same = all_come % round_trip == 0 and takes == all_come and place_rem == rem
        same = same and place_ns - start_ns == span_ns and again == latched
        if same and left > _MANY * takes:
            # All is as it was, only later: as often as nothing comes in the way.
            times = min((node.calm_end - 2 - i) // all_come, (left - 1) // takes)
            times = min(times, (min(until_ns, limit_ns) - 1 - now_ns) // span_ns)
            if job and entered_ns > now_ns:
                times = min(times, (done_ns - 1 - now_ns) // (entered_ns - now_ns))
            times = max(times, np.int64(1))
            place_ns = start_ns + times * span_ns
            turned = (written + times * all_come) % spec.ring
        latched = again
        worked_ns += times * (entered_ns - now_ns)
        done_ns += times * (left_ns - entered_ns)
        interrupts += times
        i += times * all_come
        have += all_come - takes
        left -= times * takes
        now_ns += times * span_ns
        start_ns, rem, written = place_ns, place_rem, turned
    node.receive_busy_ns += now_ns - node.now_ns - worked_ns
    node.interrupts += interrupts
    node.trigger_latched = latched
    if enters:
        start_ns, rem = after(spec, start_ns, rem, come)
        i += come
        written = (written + come) % spec.ring
        worked_ns += entered_ns - now_ns
        now_ns = entered_ns
    bring_in(spec, node, i, start_ns, rem, node.need - node.taken - left)
    node.written = written
    node.now_ns = now_ns
    if job:
        node.job_left_ns -= worked_ns
        node.foreground_busy_ns += worked_ns
    if enters:
        enter_receive(spec, node)


@melted
def _passes_event(spec, written, count):
    """Whether so many characters more assert the interrupt."""
    return np.int64(until_event(spec, written) <= count)
