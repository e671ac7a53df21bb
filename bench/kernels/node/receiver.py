"""Characters into the FIFO, the idle timeout, and what is lost on the way.

Everything here is hardware: it happens at its instant whatever the processor does, and
costs the processor nothing.
"""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.line import next_run, step
from bench.kernels.node.records import (
    BODY,
    BREAK,
    BROKEN,
    COMPLETE,
    DROP,
    ENTRY,
    EXIT,
    FAR,
    FLAW,
    FOREGROUND,
    FULL,
    HOLD,
    LEAVE,
    LOOK,
    NOTHING,
    PAUSE,
    REACHED,
    SILENCE,
    SILENT,
    STALL,
)
from bench.kernels.node.views import (
    line_flaw,
    line_octet,
    lost_row,
    mark,
    span,
    survivor_at,
)
from bench.kernels.pointers import put_octet

__all__ = ["advance", "asserted", "connect", "enter_receive", "look_takes", "lose"]

_BREAK_ON_LINE = 3  # Flaw.BREAK of bench.base.columns


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
def _doing(node):
    """What the processor is doing."""
    if node.phase == FOREGROUND:
        return NOTHING
    if node.phase == LOOK:
        return ENTRY if node.first_look else BODY
    return EXIT if node.phase == LEAVE else COMPLETE


@melted
def lose(node, place, ns):
    """A row for a character that is gone."""
    row = lost_row(node, node.lost)
    row.at = place
    row.ns = ns
    row.doing = _doing(node)
    node.lost += 1
    if node.ahead:
        # A shortcut put the parser off on the strength of what was to come.
        node.ahead = 0
        node.need = min(node.need, node.taken + 1)


@melted
def _mark(node, kind):
    """A mark at the next survivor; the parser has to look at it."""
    row = mark(node, node.marks)
    row.at = node.accepted
    row.kind = kind
    node.marks += 1
    node.need = min(node.need, node.accepted + 1)


@melted
def _gap_that_counts(spec, gap_ns):
    """An idle time if the packet format cares for one so long, else 0."""
    if 0 < spec.silence_ns <= gap_ns or 0 < spec.pause_ns < gap_ns:
        return gap_ns
    return 0


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
def _accept(spec, node, place, octet, flaw, gap_ns):
    """One character goes into the FIFO."""
    gap_ns = max(gap_ns, node.owed_gap_ns)
    node.owed_gap_ns = 0
    if gap_ns > 0:
        silent = 0 < spec.silence_ns <= gap_ns
        _mark(node, SILENCE if silent else PAUSE)
    if flaw == _BREAK_ON_LINE:
        octet = 0
        if spec.reject_flaws or spec.delimiter == BROKEN:
            _mark(node, BREAK)
    elif flaw and spec.reject_flaws:
        _mark(node, FLAW)
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
        _accept(
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


@part
def _complete(spec, node):
    """The character under the cursor completes, and the cursor moves on."""
    at = node.i
    ns = node.start_ns + spec.ready_ns
    length_ns = spec.character_ns
    flaw = 0
    if at == node.flaw_at:
        row = line_flaw(node, node.flaw)
        flaw = row.kind
        if flaw == _BREAK_ON_LINE:
            length_ns = row.length_ns
        node.flaw += 1
        more = node.flaw < node.line_flaws
        node.flaw_at = line_flaw(node, node.flaw).at if more else FAR
    gap_ns = _gap_that_counts(spec, node.start_ns - node.last_end_ns)
    node.last_end_ns = node.start_ns + length_ns
    place = node.first_place + at
    octet = line_octet(node, at)
    step(spec, node)

    if node.held:
        lose(node, node.held_place, ns)
        gap_ns = max(gap_ns, node.held_gap_ns)
        node.held = 0
    node.silence_waits_ns = 0
    if spec.idle_timeout_ns:
        node.timer_ns = ns + spec.idle_timeout_ns
    if spec.level:
        node.timeout_asserted = 0
    if not node.stalled and node.accepted - node.taken < spec.fifo:
        _accept(spec, node, place, octet, flaw, gap_ns)
    elif not node.stalled and spec.overrun != DROP and spec.overrun != STALL:
        node.held = 1
        node.held_place = place
        node.held_octet = octet
        node.held_flaw = flaw
        node.held_gap_ns = gap_ns
    else:
        node.stalled |= spec.overrun == STALL
        node.owed_gap_ns = max(node.owed_gap_ns, gap_ns)
        lose(node, place, ns)


@part
def _fire(spec, node):
    """The idle timeout; it fires once, until something restarts it."""
    ns = node.timer_ns
    node.timer_ns = FAR
    if node.accepted > node.taken or spec.idle_on_empty:
        node.timeout_asserted = 1
        if spec.delimiter == SILENT:
            node.silence_waits_ns = ns - node.last_end_ns


@melted
def _dies(spec, node, start_ns):
    """Whether a start bit that ends a held character comes before the timeout."""
    return node.held and spec.overrun == HOLD and start_ns <= node.timer_ns


@part
def _die(node, ns):
    """The character that is held does not outlive a start bit."""
    node.held = 0
    node.owed_gap_ns = max(node.owed_gap_ns, node.held_gap_ns)
    lose(node, node.held_place, ns)


@part
def advance(spec, node, limit_ns, until_asserted):
    """Let the line and the timer run up to an instant, itself left out.

    Args:
        spec: `SPEC`.
        node: `NODE`; a lost character makes a row.
        limit_ns: Nothing from this instant on is touched.
        until_asserted: Whether to come back when the receive interrupt is asserted.

    Returns:
        (REACHED or FULL, the instant of the event that asserted the interrupt, or FAR).
    """
    while True:
        if node.i == node.run_end and node.i < node.line_octets:
            next_run(node)
        start_ns = node.start_ns if node.i < node.line_octets else FAR
        ready_ns = start_ns + spec.ready_ns
        now_ns = min(ready_ns, node.timer_ns)
        if _dies(spec, node, start_ns) and start_ns < limit_ns:
            if node.lost == node.lost_room:
                return FULL, FAR
            _die(node, start_ns)
        if now_ns >= limit_ns:
            return REACHED, FAR
        if node.lost >= node.lost_room - 1:
            return FULL, FAR
        if ready_ns > node.timer_ns:
            _fire(spec, node)
        else:
            _complete(spec, node)
        if until_asserted and asserted(spec, node):
            return REACHED, now_ns
