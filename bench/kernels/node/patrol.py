"""Many passes of a polled loop at a time where nothing else happens: a shortcut.

While the loop has nothing to pick up, it looks, takes a character if there is one, and
looks again; looks that find nothing are passed over by a division.  Where the loop
finds itself as it was some characters before, only later, it will go on like that:
those are taken all at once.  What the parser has to see is left to the plain loop.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted, part
from bench.kernels.node.burst import output_ns
from bench.kernels.node.fifo import bring_in, look_takes
from bench.kernels.node.foresight import catch_up, look_ahead
from bench.kernels.node.line import before, follow, next_run
from bench.kernels.node.parser import give_octets
from bench.kernels.node.records import (
    FAR,
    FOREGROUND,
    HANDLE,
    PASS,
    REARRANGE,
    START,
    TO_PICK,
)
from bench.kernels.node.serve import arrive
from bench.kernels.node.work import due_ns

__all__ = ["patrol"]

_LONG = np.int64(64)
"""Characters after which it is not expected any more that the loop repeats itself."""


_FEW = np.int64(8)
"""Passes up to which they are counted by adding: a division takes longer."""


@part
def patrol(spec, node, until_ns, spare):
    """Let passes go by, from one of them to one that the plain loop has to do.

    Args:
        spec: `SPEC`.
        node: `NODE`.
        until_ns: Nothing at or after this instant happens yet.
        spare: Rows that one look may need.
    """
    if node.phase != FOREGROUND or _is_odd(spec, node):
        return
    if node.job == REARRANGE or node.job == START:
        done_ns = node.now_ns + node.job_left_ns
        arrive(spec, node, min(done_ns, until_ns, output_ns(node)) - 1)
        return
    if node.job != PASS:
        return
    limit_ns = min(until_ns, output_ns(node), due_ns(spec, node))
    if node.accepted == node.taken:
        _pass_idle(spec, node, limit_ns)
    if node.start_ns + spec.ready_ns > node.timer_ns:
        return
    while node.i + spec.fifo < node.calm_end:
        if node.need == node.taken + 1:
            look_ahead(spec, node)
        if node.need > node.taken + 1:
            _pass_by(spec, node, limit_ns)
        if node.need > node.taken + 1 or node.dropped + spare > node.dropped_room:
            break
        if not _show(spec, node, limit_ns):
            break
    catch_up(spec, node)


@part
def _show(spec, node, limit_ns):
    """The next look, and the parser sees what it takes; whether the loop goes on."""
    look_ns = node.now_ns + node.job_left_ns
    next_ns = look_ns + spec.per_character_ns
    if next_ns >= limit_ns or not arrive(spec, node, look_ns):
        return False
    if node.accepted == node.taken:
        return False
    look_takes(spec, node, look_ns)
    ours = give_octets(spec, node, look_ns)
    if ours:
        node.loop = TO_PICK
        node.job = HANDLE
        node.job_left_ns = spec.per_character_ns + ours * spec.per_packet_ns
        node.now_ns = look_ns
        return False
    node.foreground_busy_ns += spec.per_character_ns
    node.job_left_ns = spec.pass_ns
    node.now_ns = next_ns
    return True


@melted
def _is_odd(spec, node):
    """Whether anything is pending but characters."""
    return (
        node.held
        or node.stalled
        or node.complete_pending
        or node.bit_pending
        or node.silence_waits_ns > 0
        or node.owed_gap_ns > 0
        or (spec.stolen_ns > 0 and node.now_ns < node.still_ns)
    )


@part
def _pass_idle(spec, node, limit_ns):
    """Looks at an empty FIFO, up to the last before something comes."""
    if node.i == node.run_end and node.i < node.line_octets:
        next_run(node)
    ready_ns = FAR
    if node.i < node.line_octets:
        ready_ns = node.start_ns + spec.ready_ns
    look_ns = node.now_ns + node.job_left_ns
    more = (min(limit_ns, ready_ns, node.timer_ns) - 1 - look_ns) // spec.pass_ns
    if more > 0:
        node.now_ns = look_ns + (more - 1) * spec.pass_ns
        node.job_left_ns = spec.pass_ns


@melted
def _finds(spec, look_ns, come_ns):
    """The first look from one on that is not before an instant."""
    if come_ns - look_ns > _FEW * spec.pass_ns:
        look_ns += (come_ns - look_ns) // spec.pass_ns * spec.pass_ns
    while look_ns < come_ns:
        look_ns += spec.pass_ns
    return look_ns


@part
def _pass_by(spec, node, limit_ns):
    """Looks on a calm stretch, as long as the parser need not see what they take."""
    handle_ns, pass_ns, ready_ns = spec.per_character_ns, spec.pass_ns, spec.ready_ns
    i, start_ns, rem = node.i, node.start_ns, node.start_rem
    from_ns, look_ns = node.now_ns, node.now_ns + node.job_left_ns
    have, taken = node.accepted - node.taken, np.int64(0)
    left, last = node.need - node.taken - 1, node.calm_end - 2
    # How the loop was after some characters, to see it come back.
    mark, mark_ns, mark_ahead_ns, mark_rem = np.int64(0), from_ns, FAR, rem
    while taken < left and i < last:
        if have == 0 and start_ns + ready_ns > look_ns:
            found_ns = _finds(spec, look_ns, min(start_ns + ready_ns, limit_ns))
            while found_ns > look_ns and found_ns + handle_ns >= limit_ns:
                found_ns -= pass_ns
            from_ns = max(from_ns, found_ns - pass_ns)
            look_ns = found_ns
            if start_ns + ready_ns > look_ns:
                break
        while start_ns + ready_ns <= look_ns and have <= spec.fifo and i < last:
            have += 1
            i += 1
            start_ns, rem = follow(spec, start_ns, rem)
        if start_ns + ready_ns <= look_ns or have == 0 or have > spec.fifo:
            break
        if look_ns + handle_ns >= limit_ns:
            break
        have -= 1
        taken += 1
        from_ns = look_ns + handle_ns
        look_ns = from_ns + pass_ns
        if have:
            continue
        ahead_ns = start_ns - from_ns
        if ahead_ns == mark_ahead_ns and rem == mark_rem:
            count, span_ns = taken - mark, from_ns - mark_ns
            times = min((last - 1 - i) // count, (left - taken) // count)
            times = min(times, (limit_ns - 1 - handle_ns - look_ns) // span_ns)
            times = max(times, np.int64(0))
            i += times * count
            taken += times * count
            start_ns += times * span_ns
            from_ns += times * span_ns
            look_ns += times * span_ns
            mark_ahead_ns = FAR - 1
        elif taken < _LONG and taken >= 2 * mark:
            mark, mark_ns, mark_ahead_ns, mark_rem = taken, from_ns, ahead_ns, rem
    if have > spec.fifo:
        # The character that came too soon is left on the line.
        i -= 1
        start_ns, rem = before(spec, start_ns, rem)
    bring_in(spec, node, i, start_ns, rem, taken)
    node.foreground_busy_ns += taken * handle_ns
    node.now_ns = from_ns
    node.job_left_ns = look_ns - from_ns
