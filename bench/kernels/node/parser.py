"""Packets out of the octets that were taken.

The meaning is that of `bench/wire/decoder.py`, whose modes and turns these are; here
they work on places among the survivors.  `need` is the count of taken octets at which
there is something to do again, so that whoever takes octets has one number to compare.
"""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.examine import (
    SOUND,
    examine,
    examine_head,
    is_ours,
    unstuff,
)
from bench.kernels.node.records import (
    BAD_LENGTH,
    BAD_PAUSE,
    BREAK,
    BROKEN,
    BY_DELIMITER,
    BY_PAUSE,
    BY_SILENCE,
    BY_SYMBOL,
    DEAF,
    FAR,
    FLAW,
    FORWARD,
    HUNT,
    INSIDE,
    LINE_ERROR,
    MARKER,
    MATCH,
    NO_RECEIVE_BUFFER,
    OCTET,
    PAUSE,
    RESCAN,
    SILENCE,
    SILENT,
    TIMEOUT,
    WRONG_SIZE,
)
from bench.kernels.node.views import (
    mark,
    receive_buffer_at,
    slot,
    span,
    survivor,
    survivor_at,
)
from bench.kernels.node.work import drop
from bench.kernels.pointers import copy, octet_at

__all__ = ["give_gap", "give_octets"]


@part
def give_octets(spec, node, ns):
    """Parse up to the octet taken last; how many sound packets were for this node."""
    ours = 0
    while True:
        end = node.taken
        marked = node.mark < node.marks and mark(node, node.mark).at < end
        if marked:
            end = mark(node, node.mark).at
        if node.scan < end:
            ours += _clear(spec, node, ns, end)
        elif marked:
            ours += _meet(spec, node, ns)
        else:
            break
    node.need = _need(spec, node)
    node.ahead = 0
    return ours


@part
def give_gap(spec, node, ns):
    """The silence that waits, after the octet taken last; returns as `give_octets`."""
    gap_ns = node.silence_waits_ns
    node.silence_waits_ns = 0
    ours = give_octets(spec, node, ns)
    if 0 < spec.silence_ns <= gap_ns:
        ours += _meet_gap(spec, node, ns, SILENCE)
    elif 0 < spec.pause_ns < gap_ns:
        ours += _meet_gap(spec, node, ns, PAUSE)
    node.need = _need(spec, node)
    return ours


@melted
def _need(spec, node):
    """Taken octets at which there is something to do again."""
    need = node.taken + 1
    if node.mode == DEAF or (node.mode == HUNT and spec.delimiter == BROKEN):
        need = FAR
    elif node.mode == INSIDE and _filled(spec):
        need = node.goal
    elif node.mode == INSIDE and spec.delimiter != OCTET and node.start >= 0:
        need = node.body + spec.longest_raw + 1
    if node.mark < node.marks:
        need = min(need, mark(node, node.mark).at + 1)
    return need


@melted
def _filled(spec):
    """Whether a packet's head tells where it ends."""
    return spec.delimiter == MARKER or (spec.delimiter == BROKEN and spec.sized)


# --- clear runs -----------------------------------------------------------------------


@part
def _clear(spec, node, ns, end):
    """Octets from `scan` to `end`, none of them marked: on by one or more."""
    if node.mode == HUNT and spec.delimiter == MARKER:
        if _find(node, end, spec.marker_first):
            _begin(spec, node, node.scan - 1, node.scan - 1)
            node.mode = MATCH
            node.scan -= 1
            return _match(spec, node, ns)
    elif node.mode == HUNT and spec.delimiter == OCTET:
        if _find(node, end, spec.delimiter_octet):
            _rest(spec, node)
    elif node.mode == MATCH:
        return _match(spec, node, ns)
    elif node.mode == INSIDE:
        if _filled(spec):
            return _fill(spec, node, ns, end)
        return _collect(spec, node, ns, end)
    else:
        node.scan = end
    return 0


@melted
def _find(node, end, octet):
    """On to just after the next place of an octet, or to `end`; whether it is there."""
    at = node.scan
    while at < end and survivor(node, at) != octet:
        at += 1
    node.scan = min(at + 1, end)
    return at < end


@part
def _match(spec, node, ns):
    """One more octet of a marker, or none."""
    have = node.scan - node.body
    if survivor(node, node.scan) != octet_at(node.marker_at + have):
        _hunt_after(node, node.body)
        return 0
    node.scan += 1
    if have + 1 < spec.marker_octets:
        return 0
    node.mode = INSIDE
    return _fill(spec, node, ns, node.scan)


@part
def _fill(spec, node, ns, end):
    """Towards the goal; what is complete there is examined."""
    node.scan = max(node.scan, min(node.goal, end))
    if node.scan == node.goal and not node.headed:
        node.headed = 1
        fault, payload = examine_head(spec, node, survivor_at(node, node.body))
        if fault != SOUND:
            _reject(spec, node, ns, node.scan, fault, BY_SYMBOL)
            return 0
        node.goal += payload + spec.tail
        node.scan = min(node.goal, end)
    if node.scan == node.goal:
        return _complete(spec, node, ns, node.scan, BY_SYMBOL)
    return 0


@part
def _collect(spec, node, ns, end):
    """A packet whose end only a delimiter, a silence or a break can tell."""
    by_octet = spec.delimiter == OCTET
    if node.start < 0:
        if by_octet and survivor(node, node.scan) == spec.delimiter_octet:
            node.scan += 1
            return 0
        _begin(spec, node, node.scan, node.scan)
    most = node.body + spec.longest_raw
    end = min(end, most + 1)
    if not by_octet:
        node.scan = end
    elif _find(node, end, spec.delimiter_octet):
        return _complete(spec, node, ns, node.scan - 1, BY_DELIMITER)
    if node.scan > most:
        _reject(spec, node, ns, node.scan, BAD_LENGTH, BY_SYMBOL)
    return 0


# --- marks ----------------------------------------------------------------------------


@part
def _meet(spec, node, ns):
    """Pass the mark at `scan`, or turn back before it."""
    if node.mode == MATCH:
        _hunt_after(node, node.body)
        return 0
    kind = mark(node, node.mark).kind
    node.mark += 1
    if kind != FLAW and kind != BREAK:
        return _meet_gap(spec, node, ns, kind)
    at = node.scan
    if kind == BREAK and spec.delimiter == BROKEN:
        node.scan += 1
        return _meet_break(spec, node, ns, at)
    node.scan += 1
    if node.mode == INSIDE:
        if node.start < 0:
            _begin(spec, node, at, at)
        _reject(spec, node, ns, at + 1, LINE_ERROR, BY_SYMBOL)
    return 0


@part
def _meet_gap(spec, node, ns, kind):
    """A pause or a silence before the octet at `scan`."""
    silent = kind == SILENCE
    if node.mode == DEAF:
        if silent:
            _rest(spec, node)
        return 0
    if node.mode != INSIDE or node.start < 0 or node.scan == node.body:
        return 0
    revealed = BY_SILENCE if silent else BY_PAUSE
    if silent and not _filled(spec) and spec.delimiter != OCTET:
        return _complete(spec, node, ns, node.scan, revealed)
    if _filled(spec) or spec.delimiter != BROKEN:
        _reject(spec, node, ns, node.scan, BAD_PAUSE, revealed)
    return 0


@part
def _meet_break(spec, node, ns, at):
    """A break that delimits: what it ends, then what it begins."""
    ours = 0
    if node.mode == INSIDE:
        if _filled(spec):
            _reject(spec, node, ns, at, LINE_ERROR, BY_SYMBOL)
        elif at > node.body:
            node.scan = at
            ours = _complete(spec, node, ns, at, BY_DELIMITER)
            node.scan = at + 1
    node.mode = INSIDE
    _begin(spec, node, at, at + 1)
    if _filled(spec) and spec.head == 0:
        node.headed = 1
        node.goal = node.body + spec.least + spec.tail
    return ours


# --- how packets begin and end --------------------------------------------------------


@melted
def _begin(spec, node, at, body):
    """A packet begins: it has a receive buffer if one is free now."""
    node.start = at
    node.body = body
    node.goal = body + spec.head
    node.headed = 0
    node.buffer_free = node.received - node.returned < spec.receive_buffers


@melted
def _rest(spec, node):
    """The initial mode, with no packet."""
    inside = spec.delimiter == OCTET or spec.delimiter == SILENT
    node.mode = INSIDE if inside else HUNT
    node.start = -1


@part
def _hunt_after(node, place):
    """HUNT from just after a place, over symbols already seen."""
    node.mode = HUNT
    node.start = -1
    node.scan = place + 1
    while node.mark > 0 and mark(node, node.mark - 1).at > place:
        node.mark -= 1


@part
def _complete(spec, node, ns, body_end, revealed):
    """Examine a packet that is all there; 1 if it is sound and for this node."""
    packet = survivor_at(node, node.body)
    size = body_end - node.body
    if spec.delimiter == OCTET:
        size, fault = unstuff(spec, node, packet, size, node.scratch_at)
        packet = node.scratch_at
        if fault != SOUND:
            _reject(spec, node, ns, node.scan, fault, revealed)
            return 0
    ours = size >= spec.head + spec.least + spec.tail
    ours = ours and is_ours(spec, node, packet, size)
    # Nothing follows from the check of a foreign packet when parsing goes on after it.
    check_too = ours or spec.resync != FORWARD
    fault = examine(spec, node, packet, size, check_too)
    if fault != SOUND:
        _reject(spec, node, ns, node.scan, fault, revealed)
        return 0
    if ours:
        _receive(spec, node, ns, packet, size)
    _rest(spec, node)
    return 1 if ours else 0


@part
def _receive(spec, node, ns, packet, size):
    """A sound packet for this node: into its receive buffer, or dropped."""
    start = _line_place(node, node.start)
    end = _line_place(node, node.scan - 1) + 1
    if size - spec.head - spec.tail != spec.payload_octets:
        drop(node, ns, start, end, WRONG_SIZE)
    elif not node.buffer_free:
        drop(node, ns, start, end, NO_RECEIVE_BUFFER)
    else:
        buffer = receive_buffer_at(spec, node, node.received)
        copy(packet + spec.head, buffer, spec.payload_octets)
        place = slot(spec, node, node.received)
        place.at = start
        place.place = end
        node.received += 1


@part
def _reject(spec, node, ns, end, reason, revealed):
    """Report what is no packet, and find the mode after it."""
    start = node.start
    first = _line_place(node, start)
    drop(node, ns, first, _line_place(node, end - 1) + 1, reason)
    _rest(spec, node)
    if spec.resync == TIMEOUT:
        if revealed != BY_SILENCE:
            node.mode = DEAF
    elif spec.delimiter == OCTET and revealed == BY_SYMBOL:
        node.mode = HUNT
    elif spec.delimiter == SILENT and revealed != BY_SILENCE:
        node.mode = DEAF
    if spec.resync == RESCAN and spec.delimiter == MARKER:
        _hunt_after(node, start)


@part
def _line_place(node, at):
    """Where on the line a survivor came from; asked mostly of late ones."""
    k = node.spans - 1
    while span(node, k).at > at:
        k -= 1
    return span(node, k).place + (at - span(node, k).at)
