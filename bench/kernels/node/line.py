"""The cursor on the line: which character comes next, and when it starts.

A stretch is *calm* while its characters follow each other in one run, none of them
flawed, so that nothing can happen between two of them.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import kernel, melted, part
from bench.kernels.node.memory import forget
from bench.kernels.node.records import FAR
from bench.kernels.node.views import line_flaw, line_run

__all__ = [
    "after",
    "before",
    "follow",
    "make_room",
    "next_run",
    "open_line",
    "pass_calm",
    "step",
]

_SPARE = np.int64(8)
"""More survivors than the FIFO holds, to be on the safe side."""


@kernel
def open_line(nodes):
    """Put the cursor on the first character of a chunk that was just given."""
    node = nodes[0]
    node.i = 0
    node.flaw = 0
    node.flaw_at = line_flaw(node, 0).at if node.line_flaws else FAR
    node.run = -1
    node.run_end = 0
    node.calm_end = 0


@part
def next_run(node):
    """The cursor enters the run that begins where the last one ended."""
    node.run += 1
    run = line_run(node, node.run)
    node.start_ns = run.start_ns
    node.start_rem = run.start_rem
    after = node.run + 1
    if after < node.line_runs:
        node.run_end = line_run(node, after).first
    else:
        node.run_end = node.line_octets
    node.calm_end = 0


@melted
def step(spec, node):
    """The cursor moves to the next character of its run; up to where all is calm."""
    node.i += 1
    node.start_ns += spec.pitch_ns
    node.start_rem += spec.pitch_rem
    if node.start_rem >= spec.den:
        node.start_rem -= spec.den
        node.start_ns += 1
    _bound_calm(spec, node)


@melted
def pass_calm(spec, node, i, start_ns, rem):
    """The cursor goes to a later character of a calm stretch."""
    node.i, node.start_ns, node.start_rem = i, start_ns, rem
    last_ns = start_ns - spec.pitch_ns - (1 if rem < spec.pitch_rem else 0)
    node.last_end_ns = last_ns + spec.character_ns
    node.silence_waits_ns = 0
    if spec.level:
        node.timeout_asserted = 0
    if spec.idle_timeout_ns:
        node.timer_ns = last_ns + spec.ready_ns + spec.idle_timeout_ns


@melted
def _bound_calm(spec, node):
    """Up to where the line is calm, and there is room for what comes in."""
    node.calm_end = np.int64(0)
    if spec.calm:
        room = node.survivors_room - node.accepted - spec.fifo - _SPARE
        node.calm_end = min(node.run_end, node.flaw_at, node.i + room)


@melted
def make_room(spec, nodes):
    """Forget what is past, if the survivors' array is nearly full."""
    node = nodes[0]
    if node.survivors_room - node.accepted < 2 * (spec.fifo + _SPARE):
        was_calm = node.calm_end > 0
        forget(nodes)
        if was_calm:
            _bound_calm(spec, node)


@melted
def after(spec, start_ns, rem, count):
    """The start of the character so many places later, on the exact grid."""
    rem += count * spec.pitch_rem
    return start_ns + count * spec.pitch_ns + rem // spec.den, rem % spec.den


@melted
def follow(spec, start_ns, rem):
    """The start of the next character on the exact grid."""
    rem += spec.pitch_rem
    if rem >= spec.den:
        return start_ns + spec.pitch_ns + 1, rem - spec.den
    return start_ns + spec.pitch_ns, rem


@melted
def before(spec, start_ns, rem):
    """The start of the character before."""
    rem -= spec.pitch_rem
    if rem < 0:
        return start_ns - spec.pitch_ns - 1, rem + spec.den
    return start_ns - spec.pitch_ns, rem
