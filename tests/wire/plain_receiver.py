"""A receiver of one wire, bit by bit, written from its rules and not from the bench.

* A fall of an idle line begins a start bit; it must stay low up to its middle.  One
  that rises sooner was none, and the next fall begins one, whatever the line is in the
  middle of the first.
* Data, parity and the first stop bit are sampled in their middles, counted from that
  fall.  A stop bit that is low is a framing error.
* After a high stop bit the next fall begins a character, from the middle of the stop
  bit on.  After a low one the line must rise first.
* Low from the start bit to that rise for longer than a character: a break and nothing
  else, its length from fall to rise.  A fall within a character whose stop bit is low,
  from which on the line is low for longer than a character: a break as well.  Longer
  is by a whole nanosecond, since instants come rounded down to one.

Levels are asked for, at exact instants; nothing is kept but the instant.
"""

from __future__ import annotations

from fractions import Fraction
from math import ceil

FRAMING, PARITY, BREAK, ADDRESS = 1, 2, 3, 4


def level(changes, ns):
    """The level at an instant, a change at it included."""
    now = 1
    for at, value in changes:
        if at > ns:
            break
        now = value
    return now


def next_change(changes, ns, value):
    """The first instant at or after one at which the line goes to a level, or None."""
    before = level(changes, ns - Fraction(1, 10**6))
    for at, new in changes:
        if at >= ns and new != before:
            before = new
            if new == value:
                return at
        elif at < ns:
            before = new
    return None


def hear(changes, baud, data_bits=8, parity="none", character_bits=10):
    """What it reads of some changes: (start, octet, kind, length) of each.

    `character_bits` counts all stop bits.
    """
    bit = Fraction(10**9, baud)
    character = character_bits * bit
    heard, now = [], Fraction(0)
    while (fall := next_change(changes, now, 0)) is not None:
        rise = next_change(changes, fall + Fraction(1, 10**6), 1)
        if rise is not None and rise <= fall + bit / 2:
            now = Fraction(rise)
            continue
        bits = [
            level(changes, fall + (k + Fraction(3, 2)) * bit) for k in range(data_bits)
        ]
        at = data_bits + 1
        wrong = False
        if parity != "none":
            sampled = level(changes, fall + (at + Fraction(1, 2)) * bit)
            even = sum(bits) % 2
            wanted = {"even": even, "odd": 1 - even, "space": 0, "mark": 1}[parity]
            wrong = sampled != wanted
            at += 1
        stop = fall + (at + Fraction(1, 2)) * bit
        value = sum(one << k for k, one in enumerate(bits))
        kind = ADDRESS * (value > 255) if not wrong else PARITY
        if level(changes, stop):
            heard.append((fall, value % 256, kind, 0))
            now = stop
            continue
        rise = next_change(changes, stop, 1)
        low = max(at for at, new in changes if at <= stop and new == 0)
        if rise is None:
            rise_known, length = None, None
        else:
            rise_known, length = rise, rise - low
        long = rise is not None and length >= ceil(character) + 1
        if low != fall:
            heard.append((fall, value % 256, FRAMING, 0))
            if long:
                heard.append((low, 0, BREAK, length))
        elif long:
            heard.append((fall, 0, BREAK, length))
        elif rise is not None:
            heard.append((fall, value % 256, FRAMING, 0))
        if rise_known is None:
            return heard
        now = Fraction(rise)
    return heard
