"""Attack cases once more, plain: which rows are drawn, and what a disturbed line is.

Draws are those of numpy's own generator; levels are looked up bit by bit, as a person
would with a ruler.  What receivers find, and what the oracles say, has its plain form
in the bench itself (`bench.fuzz.oracles`, on the sans-IO decoder); tests compare.
"""

from __future__ import annotations

import numpy as np


def words(key, thing, block):
    """Four words of one counter."""
    counter = ((thing << 64) + block - 1) % 2**256
    philox = np.random.Philox(key=key[0] | key[1] << 64, counter=counter)
    return [int(word) for word in philox.random_raw(4)]


def below(word, limit):
    """A whole number below a limit."""
    return word * limit >> 64


def draw_rows(key, number, ranges, table):
    """The rows of one case, and whether a good packet comes right after it.

    Args:
        key: Two words.
        number: Of the case.
        ranges: By kind: places, least, most, special values.
        table: Kinds, as often as they are drawn.
    """
    first = words(key, number, 0)
    many = below(first[0], 256)
    count = 1 if many < 224 else 2 if many < 248 else 3
    rows = []
    for row in range(count):
        a, b, c, d = words(key, number, 1 + row)
        kind = table[below(a, len(table))]
        places, least, most, specials = ranges[kind]
        if specials and d & 1:
            value = specials[below(c, len(specials))]
        else:
            value = least + below(c, most - least + 1)
        rows.append((kind, below(b, places), value))
    return rows, not first[1] & 1


def bits_of(octet, marked, data_bits, parity):
    """The levels of a character, its start bit first, one stop bit last."""
    data = [(octet >> k) & 1 for k in range(min(8, data_bits))]
    if data_bits == 9:
        data.append(int(marked))
    ones = sum(data) % 2
    checks = {"none": [], "even": [ones], "odd": [1 - ones], "mark": [1], "space": [0]}
    return [0, *data, *checks[parity], 1]


def level_at(ns, octets, place_ns, form, spike=(0, 0)):
    """The level of a line at an instant, changes at it included.

    Args:
        ns: The instant.
        octets: What is sent, back to back.
        place_ns: From half bits since the first start bit to an instant.
        form: Data bits, parity, half bits of a character.
        spike: From when until when the line is turned over.
    """
    data_bits, parity, halves = form
    level = 1
    for index, octet in enumerate(octets):
        for k, bit in enumerate(bits_of(octet, False, data_bits, parity)):
            if place_ns(index * halves + 2 * k) <= ns:
                level = bit
    return level ^ (spike[0] <= ns < spike[1])
