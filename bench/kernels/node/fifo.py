"""What goes into the FIFO, what a look takes out of it, and what is lost."""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.line import pass_calm
from bench.kernels.node.records import (
    BODY,
    BREAK,
    BROKEN,
    BY_POLL,
    COMPLETE,
    ENTRY,
    EXIT,
    FLAW,
    FOREGROUND,
    IN_BIT,
    LEAVE,
    LEAVE_MOVE,
    LOOK,
    MARKED,
    MASKED,
    MOVE,
    NINTH,
    NOTHING,
    PAUSE,
    POLLING,
    REARRANGE,
    REARRANGING,
    SILENCE,
    START,
    STARTING,
)
from bench.kernels.node.views import lost_row, mark, span, survivor_at
from bench.kernels.pointers import copy, put_octet

__all__ = [
    "accept",
    "add_mark",
    "asserted",
    "bring_in",
    "connect",
    "enter_receive",
    "look_takes",
    "lose",
]

_BREAK_ON_LINE, _ADDRESS_ON_LINE = 3, 4  # of `Flaw` in bench.base.columns


@melted
def asserted(spec, node):
    """Whether the receive interrupt is asserted."""
    if node.timeout_asserted:
        return True
    if spec.level:
        return node.accepted - node.taken >= spec.trigger
    return node.trigger_latched != 0


@melted
def enter_receive(spec, node):
    """Into the receive handler, at `now_ns`."""
    node.phase = LOOK
    node.first_look = 1
    node.taken_here = 0
    node.trigger_latched = 0
    if not spec.level:
        node.timeout_asserted = 0
    node.since_ns = node.now_ns
    node.next_ns = node.now_ns + spec.entry_ns


@part
def _doing(spec, node, ns):
    """What the processor is doing."""
    if node.phase == LOOK:
        return ENTRY if node.first_look else BODY
    if node.phase == LEAVE:
        return EXIT
    if node.phase == MOVE or node.phase == LEAVE_MOVE:
        return IN_BIT
    if node.phase != FOREGROUND:
        return COMPLETE
    if spec.receive == BY_POLL:
        if node.job == REARRANGE:
            return REARRANGING
        return STARTING if node.job == START else POLLING
    if ns < node.masked_until_ns and asserted(spec, node):
        return MASKED
    return NOTHING


@melted
def lose(spec, node, place, ns):
    """A row for a character that is gone."""
    row = lost_row(node, node.lost)
    row.at = place
    row.ns = ns
    row.doing = _doing(spec, node, ns)
    node.lost += 1
    if node.ahead:
        # A shortcut put the parser off on the strength of what was to come.
        node.ahead = 0
        node.need = min(node.need, node.taken + 1)


@melted
def add_mark(node, kind):
    """A mark at the next survivor; the parser has to look at it."""
    row = mark(node, node.marks)
    row.at = node.accepted
    row.kind = kind
    node.marks += 1
    node.need = min(node.need, node.accepted + 1)


@melted
def connect(node, accepted, place):
    """Survivor `accepted` comes from a place: a new span unless it follows the last."""
    if node.spans > 0:
        last = span(node, node.spans - 1)
        if place - last.place == accepted - last.at:
            return
    row = span(node, node.spans)
    row.at = accepted
    row.place = place
    node.spans += 1


@part
def accept(spec, node, place, octet, flaw, gap_ns):
    """One character goes into the FIFO."""
    gap_ns = max(gap_ns, node.owed_gap_ns)
    node.owed_gap_ns = 0
    if gap_ns > 0:
        silent = 0 < spec.silence_ns <= gap_ns
        add_mark(node, SILENCE if silent else PAUSE)
    if flaw == _BREAK_ON_LINE:
        octet = 0
        if spec.reject_flaws or spec.delimiter == BROKEN:
            add_mark(node, BREAK)
    elif flaw == _ADDRESS_ON_LINE:
        if spec.delimiter == NINTH:
            add_mark(node, MARKED)
    elif flaw and spec.reject_flaws:
        add_mark(node, FLAW)
    connect(node, node.accepted, place)
    put_octet(survivor_at(node, node.accepted), octet)
    node.accepted += 1
    if node.accepted - node.taken == spec.trigger:
        node.trigger_latched = 1


@part
def look_takes(spec, node, ns):
    """A look takes one character: what the hardware makes of it."""
    node.taken += 1
    node.taken_here += 1
    if node.held:
        node.held = 0
        accept(
            spec,
            node,
            node.held_place,
            node.held_octet,
            node.held_flaw,
            node.held_gap_ns,
        )
    if node.accepted == node.taken and spec.level:
        node.timeout_asserted = 0
    if spec.restart_on_read:
        if spec.level:
            node.timeout_asserted = 0
        if spec.idle_timeout_ns:
            node.timer_ns = ns + spec.idle_timeout_ns


@melted
def bring_in(spec, node, i, start_ns, rem, takes):
    """All up to character `i` came in, and so many were taken."""
    count = i - node.i
    if count == 0:
        node.taken += takes
        return
    connect(node, node.accepted, node.first_place + node.i)
    sink = survivor_at(node, node.accepted + count - 1) - (count - 1)
    copy(node.line_octets_at + node.i, sink, count)
    pass_calm(spec, node, i, start_ns, rem)
    node.accepted += count
    node.taken += takes
