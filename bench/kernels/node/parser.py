"""Packets out of the octets that were taken.

The meaning is that of `bench/wire/decoder.py`, whose modes and turns these are; here
they work on places among the survivors.  `need` is the count of taken octets at which
there is something to do again, so that whoever takes octets has one number to compare.
"""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.examine import SOUND, examine_head
from bench.kernels.node.packet import begin, complete, hunt_after, reject, rest
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
    HUNT,
    INSIDE,
    LINE_ERROR,
    MARKED,
    MARKER,
    MATCH,
    NINTH,
    OCTET,
    PAUSE,
    SILENCE,
)
from bench.kernels.node.views import mark, survivor, survivor_at
from bench.kernels.pointers import octet_at

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
    node.passed = 0
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
    by_mark = spec.delimiter == BROKEN or spec.delimiter == NINTH
    if node.mode == DEAF or (node.mode == HUNT and by_mark):
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
    if spec.delimiter == BROKEN or spec.delimiter == NINTH:
        return spec.sized != 0
    return spec.delimiter == MARKER


# --- clear runs -----------------------------------------------------------------------


@part
def _clear(spec, node, ns, end):
    """Octets from `scan` to `end`, none of them marked: on by one or more."""
    if node.mode == HUNT and spec.delimiter == MARKER:
        if _find(node, end, spec.marker_first):
            begin(spec, node, node.scan - 1, node.scan - 1)
            node.mode = MATCH
            node.scan -= 1
            return _match(spec, node, ns)
    elif node.mode == HUNT and spec.delimiter == OCTET:
        if _find(node, end, spec.delimiter_octet):
            rest(spec, node)
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
        hunt_after(node, node.body)
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
            reject(spec, node, ns, node.scan, fault, BY_SYMBOL)
            return 0
        node.goal += payload + spec.tail
        node.scan = min(node.goal, end)
    if node.scan == node.goal:
        return complete(spec, node, ns, node.scan, BY_SYMBOL)
    return 0


@part
def _collect(spec, node, ns, end):
    """A packet whose end only a delimiter, a silence or a break can tell."""
    by_octet = spec.delimiter == OCTET
    if node.start < 0:
        if by_octet and survivor(node, node.scan) == spec.delimiter_octet:
            node.scan += 1
            return 0
        begin(spec, node, node.scan, node.scan)
    most = node.body + spec.longest_raw
    end = min(end, most + 1)
    if not by_octet:
        node.scan = end
    elif _find(node, end, spec.delimiter_octet):
        return complete(spec, node, ns, node.scan - 1, BY_DELIMITER)
    if node.scan > most:
        reject(spec, node, ns, node.scan, BAD_LENGTH, BY_SYMBOL)
    return 0


# --- marks ----------------------------------------------------------------------------


@part
def _meet(spec, node, ns):
    """Pass the mark at `scan`, or turn back before it."""
    if node.mode == MATCH:
        hunt_after(node, node.body)
        return 0
    kind = mark(node, node.mark).kind
    node.mark += 1
    if kind in (PAUSE, SILENCE):
        return _meet_gap(spec, node, ns, kind)
    at = node.scan
    if kind == MARKED:
        node.scan += 1
        return _meet_address(spec, node, ns, at)
    if kind == BREAK and spec.delimiter == BROKEN:
        node.scan += 1
        return _meet_break(spec, node, ns, at)
    node.scan += 1
    if node.mode == INSIDE:
        if node.start < 0:
            begin(spec, node, at, at)
        reject(spec, node, ns, at + 1, LINE_ERROR, BY_SYMBOL)
    return 0


@part
def _meet_gap(spec, node, ns, kind):
    """A pause or a silence before the octet at `scan`."""
    silent = kind == SILENCE
    if node.mode == DEAF:
        if silent:
            rest(spec, node)
        return 0
    if node.mode != INSIDE or node.start < 0 or node.scan == node.body:
        return 0
    revealed = BY_SILENCE if silent else BY_PAUSE
    if silent and not _filled(spec) and spec.delimiter != OCTET:
        return complete(spec, node, ns, node.scan, revealed)
    by_mark = spec.delimiter == BROKEN or spec.delimiter == NINTH
    if _filled(spec) or not by_mark:
        reject(spec, node, ns, node.scan, BAD_PAUSE, revealed)
    return 0


@part
def _meet_break(spec, node, ns, at):
    """A break that delimits: what it ends, then what it begins."""
    ours = _end_before(spec, node, ns, at)
    node.mode = INSIDE
    begin(spec, node, at, at + 1)
    _pass_no_head(spec, node)
    return ours


@melted
def _pass_no_head(spec, node):
    """Where nothing comes before the payload, the head is complete at once."""
    if spec.head == 0 and _filled(spec):
        node.headed = 1
        node.goal = node.body + spec.least + spec.tail


@part
def _meet_address(spec, node, ns, at):
    """A marked character: what it ends, then the packet whose first octet it is."""
    ours = _end_before(spec, node, ns, at)
    node.mode = INSIDE
    begin(spec, node, at, at)
    if _filled(spec):
        _pass_no_head(spec, node)
        ours += _fill(spec, node, ns, node.scan)
    return ours


@part
def _end_before(spec, node, ns, at):
    """A packet that a break or a marked character at `at` ends; as `give_octets`."""
    ours = 0
    if node.mode == INSIDE:
        if _filled(spec):
            reject(spec, node, ns, at, LINE_ERROR, BY_SYMBOL)
        elif at > node.body:
            node.scan = at
            ours = complete(spec, node, ns, at, BY_DELIMITER)
            node.scan = at + 1
    return ours
