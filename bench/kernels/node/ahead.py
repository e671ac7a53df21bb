"""What the next receive interrupt will do on a calm line, from a few sums.

Nothing here changes anything: it says when an interrupt is entered, how many characters
it takes and how many come meanwhile, and when it is left.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted, part
from bench.kernels.pointers import integer_at

__all__ = ["interrupt", "pace_ns", "place", "steady"]


@melted
def interrupt(spec, node, start_ns, rem, now_ns, have):
    """The next interrupt, if the parser lets it pass.

    Args:
        spec: `SPEC`.
        node: `NODE`, for the table of steps.
        start_ns: Start of the next character, with `rem` on the exact grid.
        rem: See start_ns.
        now_ns: When the processor came to the foreground.
        have: Characters in the FIFO then.

    Returns:
        The instant of entry; characters taken; characters that completed since now_ns
        (where they are too many for the FIFO, one that is too many); the instant of
        return.
    """
    come = max(np.int64(0), spec.trigger - have)
    entered_ns = now_ns
    if come:
        entered_ns = place(spec, node, start_ns, rem, come - 1)[0] + spec.ready_ns
    look_ns = entered_ns + spec.entry_ns
    takes, come, stop_ns = _looks(
        spec, node, start_ns, rem, have, come, look_ns, spec.body_limit
    )
    stop_ns += spec.exit_ns
    come = _come(spec, node, start_ns, rem, have, come, stop_ns)
    return entered_ns, takes, come, stop_ns


@melted
def _looks(spec, node, start_ns, rem, have, come, look_ns, most):
    """Looks from `look_ns` on, at most so many that take one; as `_interrupt`.

    Returns characters taken, characters that completed, and the instant of the look
    that takes none.
    """
    come = _come(spec, node, start_ns, rem, have, come, look_ns)
    takes = np.int64(0)
    while True:
        more = min(have + come, most) - takes
        if more <= 0 or have + come > spec.fifo:
            break
        takes += more
        look_ns += more * spec.per_character_ns
        come = _come(spec, node, start_ns, rem, have, come, look_ns)
    return takes, come, look_ns


@melted
def _come(spec, node, start_ns, rem, have, come, ns):
    """Characters that completed by an instant, at most one too many for the FIFO."""
    while have + come <= spec.fifo:
        if place(spec, node, start_ns, rem, come)[0] + spec.ready_ns > ns:
            break
        come += 1
    return come


@melted
def place(spec, node, start_ns, rem, steps):
    """The start of the character `steps` places later, on the exact grid."""
    step = node.steps_at + 16 * steps
    start_ns += integer_at(step)
    rem += integer_at(step + 8)
    if rem >= spec.den:
        return start_ns + 1, rem - spec.den
    return start_ns, rem


# --- one like the other ---------------------------------------------------------------


@part
def steady(spec, node, have, takes, come):
    """Whether all interrupts that follow are like this one, whatever is rounded.

    Characters come up to 1 ns sooner or later than the one that asserted it says, as
    their grid is read.  Where neither changes how many a handler meets, each of them is
    entered as its character completes, and takes as long.

    Args:
        spec: `SPEC`.
        node: `NODE`, for the table of steps.
        have: Characters in the FIFO at first.
        takes: Characters that the handler takes.
        come: Characters that complete from one return to the next; as many.
    """
    first = spec.trigger - have
    if first <= 0:
        return False
    for late in range(2):
        taken, after = _handled(spec, node, late)
        if taken != takes or first + after != come:
            return False
    return True


@melted
def _handled(spec, node, late):
    """Characters that a handler takes, and that come until it is left.

    It is entered as the last one of the trigger level completes; those after it come as
    soon as they can, or as late.
    """
    look_ns, takes = spec.entry_ns, np.int64(0)
    after = _after(spec, node, np.int64(0), look_ns, late)
    while True:
        more = min(spec.trigger + after, spec.body_limit) - takes
        if more <= 0 or spec.trigger + after > spec.fifo:
            break
        takes += more
        look_ns += more * spec.per_character_ns
        after = _after(spec, node, after, look_ns, late)
    return takes, _after(spec, node, after, look_ns + spec.exit_ns, late)


@melted
def _after(spec, node, after, ns, late):
    """Characters that complete so long after one, at most one too many for the FIFO."""
    while spec.trigger + after <= spec.fifo:
        if _apart_ns(node, after + 1, late) > ns:
            break
        after += 1
    return after


@melted
def _apart_ns(node, steps, late):
    """From one character to another, rounded down, or up."""
    step = node.steps_at + 16 * steps
    apart_ns = integer_at(step)
    if late and integer_at(step + 8):
        apart_ns += 1
    return apart_ns


@melted
def pace_ns(node, steps):
    """From one character to another at most."""
    return _apart_ns(node, steps, np.int64(1))
