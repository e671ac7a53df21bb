"""The referee: the packets that a receiver following the profile finds.

Written from the definition in `bench.wire.decoder`, which is its twin, on a whole line
at once: places are indexes, and going back is setting one.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.checks import compute
from bench.kernels.fuzz import records as r
from bench.kernels.fuzz.hear import CLEAR, FAULTY, SILENCED, STARTS
from bench.kernels.jit import inner, kernel, part

__all__ = ["OPEN", "SEEN", "find"]

(
    TAKEN,
    BAD_CHECK,
    BAD_LENGTH,
    BAD_LITERAL,
    BAD_STUFFING,
    LINE_ERROR,
    PAUSE,
) = range(7)
TOO_SHORT, ABORTED, FOREIGN, OPEN = 11, 12, 15, 16
"""What becomes of a packet, as `Drop` of bench.base.columns; FOREIGN: sound, and for
somebody else; TAKEN: for the node; OPEN: nothing yet."""

SEEN = 32 + OPEN * OPEN
"""Counts: of what became of packets; of what came after what."""

_LAST, _TURNS = 31, 32
"""Among them, what became of the last packet; where the turns begin."""


@inner
def _number(octets, at, size, field):
    """A field of a packet of so many octets that begins at a place."""
    place = at + field[0]
    if field[0] < 0:
        place += size
    value = np.int64(0)
    for k in range(field[1]):
        shift = 8 * k if field[2] else 8 * (field[1] - 1 - k)
        value |= np.int64(octets[place + k]) << shift
    return value


@inner
def _literals(rule, octets, at, size, head):
    """Whether the octets that must be there are; of a head alone, those in it."""
    for k in range(rule.literals):
        place = rule.literal_at[k]
        if place < 0:
            if head:
                continue
            place += size
        if np.int64(octets[at + place]) != rule.literal_is[k]:
            return False
    return True


@part
def _examine(rule, check, tables, octets, at, size):
    """What becomes of a whole packet, unstuffed."""
    if size < rule.head + rule.least + rule.tail:
        return TOO_SHORT
    if not _literals(rule, octets, at, size, False):
        return BAD_LITERAL
    payload = size - rule.head - rule.tail
    if rule.length_field[1]:
        said = _number(octets, at, size, rule.length_field)
        if said != payload + rule.length_adds:
            return BAD_LENGTH
    if payload < rule.least or payload > rule.most:
        return BAD_LENGTH
    if rule.check_field[1]:
        start = rule.check_start + (size if rule.check_start < 0 else 0)
        end = rule.check_end + (size if rule.check_end <= 0 else 0)
        value = compute(check[0], tables, octets, at + start, at + end)
        if np.int64(value) != _number(octets, at, size, rule.check_field):
            return BAD_CHECK
    if not _mine(rule, octets, at, size):
        return FOREIGN
    return TAKEN


@inner
def _mine(rule, octets, at, size):
    if rule.address_field[1] == 0:
        return True
    address = _number(octets, at, size, rule.address_field)
    if (address & rule.mask) == (rule.address & rule.mask):
        return True
    return _everyone(rule, address)


@inner
def _everyone(rule, address):
    known = False
    for k in range(rule.broadcasts):
        known |= rule.broadcast[k] == address
    return known


@part
def _unstuff(rule, raw, at, size, out):
    """The packet between two delimiters; its octets, or -1 less what is wrong."""
    made = 0
    k = 0
    if rule.stuffing == r.COBS:
        while k < size:
            group = np.int64(raw[at + k])
            if group == 0 or k + group > size:
                return -1 - BAD_STUFFING
            for j in range(1, group):
                out[made] = raw[at + k + j]
                made += 1
            k += group
            if group != 255 and k < size:
                out[made] = np.uint8(0)
                made += 1
        return made
    while k < size:
        octet = np.int64(raw[at + k])
        k += 1
        if rule.stuffing != r.UNSTUFFED and octet == rule.escape:
            flips = rule.stuffing == r.FLIPPED
            if k == size:
                return -1 - (ABORTED if flips else BAD_STUFFING)
            octet = np.int64(raw[at + k])
            k += 1
            octet = octet ^ 0x20 if flips else rule.codes[octet]
            if octet < 0:
                return -1 - BAD_STUFFING
        out[made] = np.uint8(octet)
        made += 1
    return made


@part
def _tell(rule, heard, starts, whole, span, known_ns, found, data, count):
    """A row for a packet that is the node's, and what the node takes of it.

    Args:
        rule: `RULE`.
        heard: `Heard`.
        starts: When characters of the line start.
        whole: Octets among which the packet is, unstuffed; its place, and how many.
        span: Its first character and one past its last, among those heard.
        known_ns: When it is known.
        found: `FOUND`, written.
        data: uint8, written.
        count: Rows that there are.
    """
    octets, at, size = whole
    row = found[count]
    row.first = heard.places[span[0]]
    row.end = heard.places[span[1] - 1] + 1
    row.begin_ns = starts[row.first]
    row.end_ns = known_ns
    row.everyone = 0
    if rule.address_field[1]:
        address = _number(octets, at, size, rule.address_field)
        row.everyone = 1 if _everyone(rule, address) else 0
    first = at + rule.head
    payload = size - rule.head - rule.tail
    if rule.window >= 0:
        first += rule.window
        payload = max(0, min(payload - rule.window, rule.data_octets))
    row.fits = 1 if payload == rule.data_octets else 0
    row.data_at = count * rule.data_octets
    if row.fits:
        for k in range(payload):
            data[row.data_at + k] = octets[first + k]
    row.row = -1
    row.said = 0


@inner
def _deaf(heard, at, end):
    """Where a receiver that waits for a silence listens again."""
    while at < end and heard.gaps[at] != SILENCED:
        at += 1
    return at


@inner
def _after(rule, heard, start, at, end, reason):
    """Where the hunt for a marker goes on after a rejection that `at` revealed."""
    if rule.resync == r.RESCAN:
        return start + 1
    by_gap = reason == PAUSE
    if rule.resync == r.TIMEOUT and not (by_gap and heard.gaps[at] == SILENCED):
        return _deaf(heard, at if by_gap else at + 1, end)
    return at if by_gap else at + 1


@inner
def _begins(rule, heard, at, end):
    """The next place where a marker or what begins a packet is; `end` if none."""
    by_mark = rule.delimiter == r.BROKEN or rule.delimiter == r.NINTH
    while at < end:
        if by_mark:
            if heard.kinds[at] == STARTS:
                return at
        elif heard.octets[at] == rule.marker[0] and heard.kinds[at] == CLEAR:
            whole = True
            for k in range(1, rule.marker_octets):
                place = at + k
                if (
                    place >= end
                    or heard.gaps[place]
                    or heard.kinds[place] != CLEAR
                    or heard.octets[place] != rule.marker[k]
                ):
                    whole = False
                    break
            if whole:
                return at
        at += 1
    return end


@inner
def _head_fault(rule, octets, body):
    """What is wrong with a head, and the payload that it announces."""
    if not _literals(rule, octets, body, rule.head, True):
        return BAD_LITERAL, np.int64(0)
    payload = rule.least
    if rule.length_field[1] and rule.length_field[0] >= 0:
        said = _number(octets, body, rule.head, rule.length_field)
        payload = said - rule.length_adds
    if payload < rule.least or payload > rule.most:
        return BAD_LENGTH, np.int64(0)
    return TAKEN, payload


@kernel
def find(rules, check, tables, heard, starts, parts, found, data, scratch, seen):
    """Find the packets for a node.

    Args:
        rules: `RULE`, shape (1,).
        check: `CHECK`, shape (1,).
        tables: Its tables.
        heard: `Heard`.
        starts: int64, when characters of the line start.
        parts: int64 (n, 2), as `hear` writes it.
        found: `FOUND`, written.
        data: uint8, written: what the node takes of each.
        scratch: uint8, room for a packet.
        seen: int64 (SEEN,), counted up.

    Returns:
        How many were found.
    """
    rule = rules[0]
    count = 0
    begin = 0
    for k in range(parts.shape[0]):
        end = parts[k, 0]
        if rule.delimiter == r.OCTET or rule.delimiter == r.SILENT:
            count = _between(
                rule,
                check,
                tables,
                heard,
                starts,
                (begin, end, parts[k, 1]),
                found,
                data,
                scratch,
                seen,
                count,
            )
        elif rule.sized:
            count = _filled(
                rule,
                check,
                tables,
                heard,
                starts,
                (begin, end),
                found,
                data,
                seen,
                count,
            )
        else:
            count = _open(
                rule,
                check,
                tables,
                heard,
                starts,
                (begin, end),
                found,
                data,
                seen,
                count,
            )
        begin = end
    return count


@inner
def _turn(seen, reason):
    """Count what became of a packet, and after what became of the one before."""
    seen[reason] += 1
    seen[_TURNS + OPEN * seen[_LAST] + reason] += 1
    seen[_LAST] = reason


@part
def _filled(rule, check, tables, heard, starts, span, found, data, seen, count):
    """Packets whose head tells how long they are."""
    at, end = span
    by_mark = rule.delimiter == r.BROKEN or rule.delimiter == r.NINTH
    at = _begins(rule, heard, at, end)
    while at < end:
        start = at
        body = start + 1 if rule.delimiter == r.BROKEN else start
        reason, at = _fill(rule, check, tables, heard, body, end)
        if reason == OPEN:
            break
        _turn(seen, reason)
        if reason == TAKEN:
            span = (start, at)
            _tell(
                rule,
                heard,
                starts,
                (heard.octets, body, at - body),
                span,
                heard.ends[at - 1],
                found,
                data,
                count,
            )
            count += 1
        elif reason != FOREIGN and by_mark:
            begins = reason == LINE_ERROR and heard.kinds[at] == STARTS
            at = at if begins or reason == PAUSE else at + 1
        elif reason != FOREIGN:
            at = _after(rule, heard, start, at, end, reason)
        at = _begins(rule, heard, at, end)
    return count


@inner
def _fill(rule, check, tables, heard, body, end):
    """What becomes of a packet that begins at a place.

    Returns:
        That, and the character that revealed a fault, or one past a sound packet.
    """
    # What is looked at already: the marker, or the marked character.
    at = body + rule.marker_octets
    if rule.delimiter == r.NINTH:
        at = body + 1
    goal = body + rule.head
    headed = False
    while True:
        if at >= goal and not headed:
            headed = True
            reason, payload = _head_fault(rule, heard.octets, body)
            if reason != TAKEN:
                return reason, goal - 1
            goal += payload + rule.tail
        if at >= goal:
            reason = _examine(rule, check, tables, heard.octets, body, goal - body)
            sound = reason in (TAKEN, FOREIGN)
            return reason, goal if sound else goal - 1
        if at >= end:
            return OPEN, at
        if heard.gaps[at] and at > body:
            return PAUSE, at
        if heard.kinds[at] != CLEAR:
            return LINE_ERROR, at
        at += 1


@part
def _open(rule, check, tables, heard, starts, span, found, data, seen, count):
    """Packets that end where the next one begins, or at a silence."""
    at, end = span
    at = _begins(rule, heard, at, end)
    while at < end:
        start = at
        body = start + 1 if rule.delimiter == r.BROKEN else start
        reason, at = _run_on(rule, heard, body, start + 1, end)
        if reason == TAKEN and at > body:
            reason = _examine(rule, check, tables, heard.octets, body, at - body)
            if reason == TAKEN:
                # Even a silence is known of when the next character comes.
                known_ns = heard.ends[at]
                whole = (heard.octets, body, at - body)
                span = (start, at)
                _tell(rule, heard, starts, whole, span, known_ns, found, data, count)
                count += 1
            _turn(seen, reason)
        elif reason in (LINE_ERROR, BAD_LENGTH):
            _turn(seen, reason)
            at += 1
        at = _begins(rule, heard, at, end)
    return count


@inner
def _run_on(rule, heard, body, at, end):
    """What ends a packet that begins at a place, from the next character on; where."""
    while at < end:
        if heard.gaps[at] == SILENCED and at > body:
            return TAKEN, at
        if heard.kinds[at] == STARTS:
            return TAKEN, at
        if heard.kinds[at] == FAULTY:
            return LINE_ERROR, at
        if at - body >= rule.longest_raw:
            return BAD_LENGTH, at
        at += 1
    return OPEN, at


@part
def _between(
    rule, check, tables, heard, starts, span, found, data, scratch, seen, count
):
    """Packets between delimiters, or silences."""
    at, end, silent = span
    by_octet = rule.delimiter == r.OCTET
    delimiter = np.int64(rule.delimiter_octet) if by_octet else np.int64(-1)
    while at < end:
        if heard.kinds[at] == CLEAR and np.int64(heard.octets[at]) == delimiter:
            at += 1
            continue
        start = at
        reason, at = _reach(rule, heard, delimiter, start, end)
        if reason == OPEN and silent and not by_octet:
            reason = TAKEN
        if reason == OPEN:
            break
        revealed = reason
        if reason == TAKEN:
            raw, place, size = heard.octets, start, at - start
            if by_octet:
                size = _unstuff(rule, raw, place, size, scratch)
                raw, place = scratch, 0
            reason = -1 - size
            if size >= 0:
                reason = _examine(rule, check, tables, raw, place, size)
            if reason == TAKEN:
                # A delimiter that ends it is part of it, a silence has to pass.
                last = at + 1 if by_octet else at
                known_ns = heard.ends[last - 1]
                if not by_octet:
                    known_ns += rule.silence_ns
                whole = (raw, place, size)
                taken = (start, last)
                _tell(rule, heard, starts, whole, taken, known_ns, found, data, count)
                count += 1
        _turn(seen, reason)
        at = _on(rule, heard, at, end, reason, revealed)
    return count


@inner
def _reach(rule, heard, delimiter, start, end):
    """What ends a packet that begins at a place, or spoils it; where."""
    at = start
    while at < end:
        if heard.gaps[at] and at > start:
            silence = heard.gaps[at] == SILENCED
            return TAKEN if silence and rule.delimiter == r.SILENT else PAUSE, at
        if heard.kinds[at] != CLEAR:
            return LINE_ERROR, at
        if np.int64(heard.octets[at]) == delimiter:
            return TAKEN, at
        if at - start >= rule.longest_raw:
            return BAD_LENGTH, at
        at += 1
    return OPEN, at


@inner
def _on(rule, heard, at, end, reason, revealed):
    """Where the next packet may begin; `at` is what ended or spoiled this one.

    Args:
        rule: `RULE`.
        heard: `Heard`.
        at: A delimiter, the character after a gap, or one that spoiled a packet.
        end: Where it ends.
        reason: What became of the packet.
        revealed: TAKEN if a delimiter or a silence ended it, PAUSE, or else.
    """
    by_octet = rule.delimiter == r.OCTET
    sound = reason in (TAKEN, FOREIGN)
    past = at
    if revealed != PAUSE and (by_octet or revealed != TAKEN):
        past = at + 1
    silence = at < end and heard.gaps[at] == SILENCED and past == at
    if sound or (revealed == TAKEN and not by_octet):
        return past
    if rule.resync == r.TIMEOUT or not by_octet:
        if silence:
            return past
        return _deaf(heard, past, end)
    if revealed in (TAKEN, PAUSE):
        return past
    while past < end and not (
        heard.kinds[past] == CLEAR
        and np.int64(heard.octets[past]) == np.int64(rule.delimiter_octet)
    ):
        past += 1
    return past
