"""What was shown beside what was found: the oracles, for very many cases.

The same as `bench.fuzz.oracles.judge` says of one case on a link that sees everything,
which is its twin.
"""

from __future__ import annotations

import numpy as np

from bench.kernels.fuzz import records as r
from bench.kernels.jit import inner, kernel

__all__ = ["LIMITS", "judge"]

LIMITS = r._integers(
    "settle_ns backlog_ns waits may_lose clocks latch_gap_ns by_lane on_sync "
    "data_octets blackout_ns character_ns"
)
"""What a good node keeps to.  `by_lane`: lanes are sent one after another, and latch
one by one."""


@inner
def _same(a, at, b, bt, count):
    k = 0
    while k < count and a[at + k] == b[bt + k]:
        k += 1
    return k == count


@inner
def _breach(breaches, count, oracle, ns):
    """One more, if there is room."""
    if count < breaches.shape[0]:
        row = breaches[count]
        row.oracle = oracle
        row.ns = ns
        count += 1
    return count


@inner
def _excuse(limits, found, count, resets):
    """Which packets the node has to show, and by when."""
    for k in range(count):
        packet = found[k]
        since_ns = packet.begin_ns - limits.backlog_ns
        for j in range(resets.shape[0]):
            if resets[j, 1] <= packet.begin_ns:
                since_ns = max(since_ns, resets[j, 1])
        waits = 0
        j = k - 1
        while j >= 0 and found[j].end_ns > since_ns:
            waits += 1
            j -= 1
        packet.waits = waits
        packet.by_ns = packet.end_ns + (waits + 1) * limits.settle_ns
        shows = packet.fits and not (limits.on_sync and packet.everyone)
        must = shows and waits <= limits.waits
        packet.must = 1 if must and not _cut(packet, resets) else 0
    if limits.on_sync:
        for k in range(count):
            packet = found[k]
            must = 0
            if packet.must and not packet.everyone and k + 1 < count:
                after = found[k + 1]
                if after.everyone and after.begin_ns >= packet.by_ns:
                    must = 1
                packet.by_ns = after.end_ns + limits.settle_ns
                if _cut(packet, resets):
                    must = 0
            packet.must = must


@inner
def _cut(packet, resets):
    """Whether a reset came while the node had the packet."""
    for j in range(resets.shape[0]):
        if packet.begin_ns < resets[j, 1] <= packet.by_ns:
            return True
    return False


@inner
def _is_cut(row, resets, gap_ns):
    """Whether a reset cut a burst off."""
    for j in range(resets.shape[0]):
        if row.burst_ns <= resets[j, 1] <= row.end_ns + gap_ns:
            return True
    return False


@inner
def _said(found, count, dropped):
    """Which packets the node says that it did not show."""
    at = 0
    for k in range(dropped.shape[0]):
        reason = dropped[k].reason
        if reason < 7 or reason == 10 or reason == 11 or reason == 12:
            continue
        first = dropped[k].first
        while at > 0 and found[at - 1].first >= first:
            at -= 1
        while at < count and found[at].first < first:
            at += 1
        if at < count and found[at].first == first:
            found[at].said = 1


@kernel
def judge(limits, found, count, data, shown, held, dropped, lost, resets, dark, told):
    """Judge what a node showed.

    Args:
        limits: `LIMITS`, shape (1,).
        found: `FOUND`, what a receiver finds; completed.
        count: How many.
        data: uint8, what the node takes of each.
        shown: `SHOWN`, the node's bursts.
        held: uint8, what its chains held.
        dropped: `DROPPED`.
        lost: `LOST`.
        resets: int64 (n, 2): place, instant.
        dark: uint8, what the lanes hold in darkness; none if they never darken.
        told: `BREACH`, written.

    Returns:
        How many breaches there are, as far as there was room.
    """
    limits = limits[0]
    size = limits.data_octets
    breaches = 0
    _excuse(limits, found, count, resets)
    _said(found, count, dropped)
    after = 0
    for k in range(shown.shape[0]):
        row = shown[k]
        mine = _packet_of(found, after, count, data, held, row, size)
        cut = _is_cut(row, resets, limits.latch_gap_ns)
        if mine >= 0:
            found[mine].row = k
            after = mine + 1
            if limits.on_sync and not _synced(found, mine, count, row.burst_ns):
                breaches = _breach(told, breaches, r.UNSOUND, row.burst_ns)
        elif not cut and not _darkens(limits, found, count, row, held, dark):
            oracle = _name(found, count, data, held, row, size)
            breaches = _breach(told, breaches, oracle, row.burst_ns)
        if not cut:
            breaches = _faults(limits, shown, k, resets, told, breaches)
    breaches = _missing(limits, found, count, data, shown, resets, told, breaches)
    return _losses(limits, found, count, lost, told, breaches)


@inner
def _packet_of(found, after, count, data, held, row, size):
    """The first packet from one on that a burst shows; -1: none."""
    for j in range(after, count):
        packet = found[j]
        if packet.end_ns > row.burst_ns:
            break
        open_ = packet.fits and not packet.said
        if open_ and _same(data, packet.data_at, held, row.data_at, size):
            return j
    return -1


@inner
def _faults(limits, shown, k, resets, told, breaches):
    """Clocks of a burst, and the gap before it."""
    row = shown[k]
    if row.clocks != limits.clocks or row.marginal > 0:
        breaches = _breach(told, breaches, r.CLOCKS, row.burst_ns)
    if row.shown_ns < 0:
        return _breach(told, breaches, r.LATCH, row.end_ns)
    if k == 0 or limits.by_lane or _is_cut(shown[k - 1], resets, limits.latch_gap_ns):
        return breaches
    if row.first_bit_ns - shown[k - 1].end_ns < limits.latch_gap_ns:
        breaches = _breach(told, breaches, r.LATCH, row.burst_ns)
    return breaches


@inner
def _synced(found, k, count, burst_ns):
    """Whether a sync came between a packet and its burst."""
    packet = found[k]
    for j in range(k + 1, count):
        if found[j].end_ns > burst_ns:
            return False
        if found[j].everyone and found[j].end_ns > packet.end_ns:
            return True
    return False


@inner
def _darkens(limits, found, count, row, held, dark):
    """Whether a burst is darkness, and due."""
    if dark.shape[0] == 0 or not _same(held, row.data_at, dark, 0, dark.shape[0]):
        return False
    last_ns = np.int64(0)
    for k in range(count):
        if found[k].end_ns <= row.burst_ns:
            last_ns = found[k].end_ns
    return row.burst_ns >= last_ns + limits.blackout_ns - limits.character_ns


@inner
def _name(found, count, data, held, row, size):
    """The oracle that a burst breaks which is no packet in order."""
    for k in range(count):
        packet = found[k]
        if packet.end_ns > row.burst_ns:
            break
        if packet.fits and _same(data, packet.data_at, held, row.data_at, size):
            return r.REPEATED
    for k in range(count):
        packet = found[k]
        if packet.row < 0 and packet.end_ns <= row.burst_ns <= packet.by_ns:
            return r.DATA
    return r.UNSOUND


@inner
def _missing(limits, found, count, data, shown, resets, told, breaches):
    """Packets that were not shown, or late, or not accounted for."""
    for k in range(count):
        packet = found[k]
        if packet.must:
            if packet.row >= 0:
                if shown[packet.row].shown_ns > packet.by_ns:
                    breaches = _breach(told, breaches, r.LATENCY, packet.end_ns)
            elif not _again(limits, found, count, data, shown, k):
                breaches = _breach(told, breaches, r.RECOVERY, packet.end_ns)
        elif packet.row < 0 and not packet.said:
            sync = limits.on_sync and packet.everyone
            if not sync and not _cut(packet, resets):
                breaches = _breach(told, breaches, r.COUNTERS, packet.end_ns)
    return breaches


@inner
def _again(limits, found, count, data, shown, k):
    """Whether a burst that could be an earlier packet like this one is this one."""
    packet = found[k]
    size = limits.data_octets
    for j in range(count):
        other = found[j]
        if other.row < 0 or other.must:
            continue
        burst_ns = shown[other.row].burst_ns
        in_time = packet.end_ns <= burst_ns <= packet.by_ns
        if in_time and _same(data, other.data_at, data, packet.data_at, size):
            return True
    return False


@inner
def _losses(limits, found, count, lost, told, breaches):
    """Characters that a node lost though it had time for them."""
    at = 0
    for k in range(lost.shape[0]):
        ns = lost[k].ns
        works = False
        if limits.may_lose:
            while at < count and found[at].end_ns <= ns:
                at += 1
            j = at - 1
            while j >= 0:
                busy_ns = (found[j].waits + 1) * limits.settle_ns
                if ns <= found[j].end_ns + busy_ns:
                    works = True
                    break
                if ns > found[j].end_ns + limits.backlog_ns + limits.settle_ns:
                    break
                j -= 1
        if not works:
            return _breach(told, breaches, r.OVERRUN, ns)
    return breaches
