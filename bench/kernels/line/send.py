"""Sending: pads, breaks, marks and packets, each with its rows, at the line's place."""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import inner
from bench.kernels.line.state import (
    BROADCAST,
    FOREIGN,
    OWN,
    TIMED,
    advance,
    passed,
    round_up,
)
from bench.kernels.packets import PLAIN, build, stuff
from bench.kernels.payload import fill_payload
from bench.kernels.philox import below, block, fill

__all__ = ["send_closer", "send_packet", "send_pads"]

_BREAK, _ADDRESS = 3, 4
"""A character that is a break, and one with its ninth bit set, see
`bench.base.columns.Flaw`."""

_TO_FOREIGN, _UNKNOWN = -1, -1
"""See `bench.base.columns.To` and `UNKNOWN`."""


@inner
def _open_run(state, columns):
    """The next character is the first of a run."""
    run = columns.runs[state.runs]
    run.first = state.octets
    run.start_ns = state.ns
    run.start_rem = state.rem
    state.runs += 1


@inner
def send_pads(plan, state, columns, most):
    """Send pads, as many as fit."""
    if state.octets == 0:
        _open_run(state, columns)
    pads = min(state.fill, most - state.octets)
    for k in range(state.octets, state.octets + pads):
        columns.octets[k] = np.uint8(plan.pad)
    state.octets += pads
    state.fill -= pads
    advance(plan, state, pads)


@inner
def _flaw(state, columns, kind, length_ns):
    """The next character is no plain octet."""
    flaw = columns.flaws[state.flaws]
    flaw.at = state.octets
    flaw.length_ns = length_ns
    flaw.kind = kind
    state.flaws += 1


@inner
def _break(plan, state, columns):
    """Send a break and the mark after it."""
    _open_run(state, columns)
    _flaw(state, columns, _BREAK, plan.break_ns)
    columns.octets[state.octets] = np.uint8(0)
    state.octets += 1
    state.ns += plan.break_ns + plan.mark_ns


@inner
def send_closer(plan, state, columns):
    """Send what would begin another packet, and so ends the last one."""
    if plan.pacing == TIMED:
        state.ns = round_up(state)
        state.rem = 0
    if plan.break_ns > 0:
        _break(plan, state, columns)
        state.last_ns = state.ns - plan.mark_ns
        return
    if plan.apart or state.octets == 0:
        _open_run(state, columns)
    _flaw(state, columns, _ADDRESS, 0)
    columns.octets[state.octets] = np.uint8(plan.closer)
    state.octets += 1
    advance(plan, state, 1)
    state.last_ns = state.ns - plan.idle_ns


@inner
def _own_payload(parts, columns, row, plain, at):
    """Write the payload of an own or a broadcast packet; returns its receiver."""
    plan = parts.plan[0]
    state = parts.state[0]
    receiver = parts.receivers[state.node if state.kind == OWN else plan.own]
    octets = receiver.octets
    row.to = receiver.to
    row.frame = state.frame
    row.payload_at = _UNKNOWN
    if receiver.windows != 1 or parts.windows[receiver.window].octets < octets:
        for k in range(octets):
            plain[at + k] = np.uint8(0)
    for place in range(receiver.window, receiver.window + receiver.windows):
        window = parts.windows[place]
        number = state.frame * plan.nodes + place
        if state.kind == BROADCAST:
            number = -1 - state.frame
        span = (plain, at + window.at, window.octets)
        fill_payload(parts.pattern, state.frame, place, number, span)
    if receiver.shown:
        row.payload_at = state.payload
        for k in range(octets):
            columns.payload[state.payload + k] = plain[at + k]
        state.payload += octets
    return receiver.address, receiver.tally, octets


@inner
def _foreign_payload(parts, row, plain, at):
    """Write the payload of a foreign packet; returns its receiver."""
    state = parts.state[0]
    keys = parts.keys
    words = block(keys[1, 0], keys[1, 1], state.drawn, 0)
    aside = parts.aside[below(words[0], parts.aside.shape[0])]
    fill(keys[2, 0], keys[2, 1], state.drawn, plain[at : at + state.size])
    row.to = _TO_FOREIGN
    row.frame = _UNKNOWN
    row.payload_at = _UNKNOWN
    state.drawn += 1
    return aside.address, aside.tally, state.size


@inner
def send_packet(parts, columns):
    """Send the packet that is next."""
    plan = parts.plan[0]
    state = parts.state[0]
    shape = parts.packets.shape[0]
    if plan.pacing == TIMED:
        state.ns = max(state.start_ns, round_up(state))
        state.rem = 0
    if state.kind == FOREIGN:
        state.foreign -= passed(plan, state)
    row = columns.rows[state.rows]
    row.first = state.first + state.octets
    row.start_ns = state.ns
    if plan.break_ns > 0:
        _break(plan, state, columns)
    if plan.apart or plan.break_ns > 0 or state.octets == 0:
        _open_run(state, columns)
    if plan.marked:
        _flaw(state, columns, _ADDRESS, 0)
    start = state.octets
    bare = shape.stuffing == PLAIN and shape.delimiter < 0
    plain = columns.octets if bare else parts.plain
    at = start if bare else 0
    if state.kind == FOREIGN:
        address, tally, octets = _foreign_payload(parts, row, plain, at + shape.head)
    else:
        address, tally, octets = _own_payload(
            parts, columns, row, plain, at + shape.head
        )
    sequence = parts.tallies[tally]
    parts.tallies[tally] = sequence + 1
    length = build(parts.packets, address, sequence, plain, at, octets)
    state.octets += length
    if not bare:
        state.octets = stuff(parts.packets, plain, length, columns.octets, start)
    pitches = state.octets - start
    advance(plan, state, pitches)
    state.last_ns = state.ns - plan.idle_ns
    if plan.silence_ns > 0:
        state.ns = round_up(state) + plan.silence_ns
        state.rem = 0
    if state.kind == FOREIGN:
        state.foreign += passed(plan, state)
    row.packet = state.packet
    row.octets = state.first + state.octets - row.first
    row.last_bit_ns = state.last_ns
    row.payload_octets = octets
    row.address = address
    state.packet += 1
    state.rows += 1
