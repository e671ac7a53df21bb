"""What the next receive interrupt will do on a calm line, from a few sums.

Nothing here changes anything: it says when an interrupt is entered, how many characters
it takes and how many come meanwhile, and when it is left.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted
from bench.kernels.pointers import integer_at

__all__ = ["interrupt", "place"]


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
