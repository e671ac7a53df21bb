"""One piece level by level, and the receiver of those levels.

Levels are a list of instants at which the line changes, from 1 at first.  The receiver
is the usual one, as in `bench.wire.characters`, which is its twin: it begins with a
fall, samples in the middle of each bit, and after a missing stop bit waits for the line
to rise.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.fuzz.records import ADDRESS, BREAK, FRAMING, MILLION, PARITY
from bench.kernels.jit import inner

__all__ = ["draw_levels", "half_bits", "next_character"]

_FIRST = np.int64(0)
"""The start bit; of one type with the others, since literals are compiled anew."""


@inner
def half_bits(plan):
    """Half bits of a character."""
    checked = plan.data_bits + (1 if plan.parity else 0)
    return 2 * (1 + checked) + plan.stop_halves


@inner
def _at_ns(plan, piece, half, whole):
    """A place in half bits, in ns from the piece's start as its sender counts."""
    ns = half * plan.bit_num // (2 * plan.bit_den)
    ppm = piece.offset_ppm + piece.drift_ppm * half // whole
    return ns - ns * ppm // MILLION


@inner
def _parity(plan, data):
    """The level of a parity bit."""
    if plan.parity >= 3:
        return 1 if plan.parity == 3 else 0
    ones = 0
    for k in range(plan.data_bits):
        ones += (data >> k) & 1
    return ones & 1 if plan.parity == 1 else 1 - (ones & 1)


@inner
def draw_levels(parts, piece, span, mark, start_ns, edges):
    """Draw octets of `wire`, one after another.

    Args:
        parts: `Parts`.
        piece: `PIECE`, for the sender's baud and what disturbs it.
        span: The first of them, and one past the last.
        mark: The one whose ninth bit is set; -1 for none.
        start_ns: When the first begins.
        edges: int64, the changes, written.

    Returns:
        How many changes, and where the last character ends.
    """
    plan = parts.plan[0]
    many = half_bits(plan)
    first, size = span[0], span[1] - span[0]
    whole = max(1, size * many)
    count = np.int64(0)
    level = 1
    for index in range(size):
        data = np.int64(parts.wire[first + index])
        if first + index == mark:
            data |= 256
        checked = plan.data_bits + (1 if plan.parity else 0)
        for bit in range(checked + 2):
            value = 0 if bit == 0 else 1
            if 0 < bit <= plan.data_bits:
                value = (data >> (bit - 1)) & 1
            elif bit == checked and plan.parity:
                value = _parity(plan, data)
            if value != level:
                half = index * many + 2 * bit
                edges[count] = start_ns + _at_ns(plan, piece, half, whole)
                count += 1
                level = value
    if piece.spike_at >= 0:
        from_ns = start_ns + piece.spike_at * plan.bit_num // (2 * plan.bit_den)
        count = _toggle(edges, count, from_ns)
        count = _toggle(edges, count, from_ns + piece.spike_ns)
    end_ns = start_ns + _at_ns(plan, piece, whole, whole)
    if count and edges[count - 1] > end_ns:
        end_ns = edges[count - 1]
    return count, end_ns


@inner
def _toggle(edges, count, ns):
    """The line changes once more at an instant; two changes at one are none."""
    at = count
    while at > 0 and edges[at - 1] > ns:
        at -= 1
    if at > 0 and edges[at - 1] == ns:
        for k in range(at - 1, count - 1):
            edges[k] = edges[k + 1]
        return count - 1
    for k in range(count, at, -1):
        edges[k] = edges[k - 1]
    edges[at] = ns
    return count + 1


@inner
def _middle_ns(plan, bit):
    return (2 * bit + 1) * plan.bit_num // (2 * plan.bit_den)


@inner
def next_character(plan, edges, count, at, owed):
    """What the receiver reads next.

    Args:
        plan: `PLAN`.
        edges: The changes.
        count: How many.
        at: The next one, a fall; or a rise that ends a low line, if `owed` says so.
        owed: 0; or of a low line the fall that began it, doubled, and 1 added if it is
            known to be a break of its own.

    Returns:
        Whether anything was read, its start, octet, flaw and length, and the next `at`
        and `owed`.
    """
    while at < count:
        start_ns = edges[at]
        j = at + 1
        if j < count and edges[j] <= start_ns + _middle_ns(plan, _FIRST):
            at = j + 1
            continue
        checked = plan.data_bits + (1 if plan.parity else 0)
        data = 0
        for bit in range(1, checked + 1):
            while j < count and edges[j] <= start_ns + _middle_ns(plan, bit):
                j += 1
            data |= (1 - (j & 1)) << (bit - 1)
        while j < count and edges[j] <= start_ns + _middle_ns(plan, checked + 1):
            j += 1
        parity = data >> plan.data_bits
        data &= (1 << plan.data_bits) - 1
        octet = data & 255
        if j & 1 == 0:
            flaw = 0
            if plan.parity and parity != _parity(plan, data):
                flaw = PARITY
            elif data >> 8:
                flaw = ADDRESS
            return True, start_ns, octet, flaw, 0, j, 0
        held = j == at + 1
        if not held and owed == 0:
            # The character first; the low line after it is looked at once more.
            return True, start_ns, octet, FRAMING, 0, at, 1
        fell_ns = edges[j - 1]
        rose_ns = edges[j] if j < count else fell_ns
        longest_ns = -(-half_bits(plan) * plan.bit_num // (2 * plan.bit_den)) + 1
        at = j + 1
        owed = 0
        if rose_ns - fell_ns >= longest_ns:
            return True, fell_ns, 0, BREAK, rose_ns - fell_ns, at, owed
        if held:
            return True, start_ns, octet, FRAMING, 0, at, owed
    return False, 0, 0, 0, 0, at, 0
