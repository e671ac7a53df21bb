"""What comes next: when an own packet is due, and what fills the gap to it.

The foreign account is the share of the line's time so far that foreign packets are
owed, less what they took.  A foreign packet is sent when at least half of it is owed by
the end of the gap and the longest that it can become on the line fits.  What is left of
the gap is spread over what is still to come, drawn where pads fill it and evenly where
the line idles.
"""

from __future__ import annotations

from bench.kernels.jit import inner
from bench.kernels.line.state import (
    FLOOD,
    FOREIGN,
    MILLION,
    OWN,
    PACKED,
    TIMED,
    passed,
    pitches_to,
    pitches_to_aim,
    round_up,
)
from bench.kernels.packets import COBS, ESCAPED
from bench.kernels.philox import below, block

__all__ = ["largest", "longest", "next_item", "next_own"]


@inner
def longest(shape, payload_octets):
    """Most characters on the line of a packet with such a payload."""
    octets = shape.head + payload_octets + shape.tail
    if shape.stuffing == COBS:
        octets += max(1, (octets + 253) // 254)
    elif shape.stuffing == ESCAPED:
        octets *= 2
    if shape.delimiter >= 0:
        octets += 1 + shape.leading
    return octets


@inner
def _shortest(shape, payload_octets):
    """Characters on the line of such a packet if nothing in it is replaced."""
    octets = longest(shape, payload_octets)
    if shape.stuffing == ESCAPED:
        octets -= shape.head + payload_octets + shape.tail
    return octets


@inner
def largest(plan, shape, room):
    """Octets of the largest payload whose packet surely fits so many characters."""
    if shape.delimiter >= 0:
        room -= 1 + shape.leading
    if shape.stuffing == COBS:
        room -= (room + 254) // 255
    elif shape.stuffing == ESCAPED:
        room //= 2
    return min(room - shape.head - shape.tail, plan.most)


@inner
def next_own(parts):
    """Take up the next own packet: its target, and where it is to start.

    Returns:
        Whether there is one.
    """
    plan = parts.plan[0]
    state = parts.state[0]
    if plan.packets >= 0 and state.own >= plan.packets:
        return False
    if state.node == 0 or not plan.together:
        state.aim_ns = state.slot_ns
        state.aim_rem = state.slot_rem
    aim_ns = state.ns if plan.pacing == FLOOD else state.aim_ns
    if plan.duration_ns >= 0 and aim_ns >= plan.duration_ns:
        return False
    state.slot_ns += plan.slot_ns
    state.slot_rem += plan.slot_rem
    if state.slot_rem >= plan.slot_den:
        state.slot_ns += 1
        state.slot_rem -= plan.slot_den
    if plan.pacing != FLOOD:
        keys = parts.keys
        word = block(keys[0, 0], keys[0, 1], state.own, 0)[0]
        _due(plan, state, word)
    return True


@inner
def _due(plan, state, word):
    """Where an own packet is to start, `word` being its draw."""
    if plan.pacing == PACKED:
        gap = max(0, pitches_to_aim(plan, state))
        gap += below(word, gap * plan.dither // MILLION + 1)
        end = state.rem + gap * plan.num
        state.due_ns = state.ns + end // plan.den
        state.due_rem = end % plan.den
    else:
        aim_ns = state.aim_ns + below(word, plan.dither_ns + 1)
        state.due_ns = max(aim_ns, round_up(state))
        state.due_rem = 0


@inner
def _owed(plan, state, ahead):
    """Pitches owed to foreign traffic after `ahead` more, in millionths."""
    return plan.share * (passed(plan, state) + ahead) - MILLION * state.foreign


@inner
def _draw_size(plan, sizes, words):
    """Payload of a foreign packet."""
    size = sizes[below(words[1], sizes.shape[0])]
    vary = size * plan.dither // MILLION
    size += below(words[2], 2 * vary + 1) - vary
    return min(max(size, plan.least), plan.most)


@inner
def _mix(parts, room):
    """A foreign packet if the account allows; returns the wait for what is next."""
    plan = parts.plan[0]
    state = parts.state[0]
    shape = parts.packets.shape[0]
    ahead = 0 if plan.pacing == FLOOD else room
    owed = _owed(plan, state, ahead)
    if owed <= 0:
        return ahead
    words = block(parts.keys[1, 0], parts.keys[1, 1], state.drawn, 0)
    size = _draw_size(plan, parts.sizes, words)
    cost = _shortest(shape, size) + plan.around
    if 2 * owed < MILLION * cost:
        return ahead
    most = longest(shape, size) + plan.spare
    if plan.pacing != FLOOD and most > room:
        state.drawn += 1  # given up, so that one too long does not bar the way
        return ahead
    state.kind = FOREIGN
    state.size = size
    if plan.pacing == FLOOD:
        return 0
    free = max(0, room - max(owed // MILLION, most))
    wait = free // (max(1, owed // (MILLION * cost)) + 1)
    if plan.pacing == PACKED:
        wait = below(words[3], 2 * wait + 1)
    return wait


@inner
def _fill(parts, room):
    """Foreign packets where nothing else may fill, the last one sized to fit."""
    plan = parts.plan[0]
    state = parts.state[0]
    shape = parts.packets.shape[0]
    least = longest(shape, plan.least) + plan.spare
    if room < least:
        return
    words = block(parts.keys[1, 0], parts.keys[1, 1], state.drawn, 0)
    size = _draw_size(plan, parts.sizes, words)
    left = room - longest(shape, size) - plan.spare
    if left < least:
        size = largest(plan, shape, room - plan.spare)
    state.kind = FOREIGN
    state.size = size


@inner
def next_item(parts):
    """Decide what is sent next: the own packet that is due, or a foreign one before it.

    Sets `kind`, `size`, `fill` and `start_ns` of the state.
    """
    plan = parts.plan[0]
    state = parts.state[0]
    state.kind = OWN
    state.fill = 0
    room = 0
    if plan.pacing != FLOOD:
        room = max(0, pitches_to(plan, state, state.due_ns, state.due_rem))
    wait = room
    if plan.pacing == PACKED and plan.pad < 0:
        _fill(parts, room)
    elif plan.share > 0:
        wait = _mix(parts, room)
    if plan.pacing == PACKED and plan.pad >= 0:
        state.fill = wait
    elif plan.pacing == TIMED:
        state.start_ns = state.due_ns
        if state.kind == FOREIGN:
            end = state.rem + wait * plan.num
            state.start_ns = state.ns + end // plan.den
