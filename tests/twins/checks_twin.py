"""Plain twin of the checks: a bit at a time, as the catalogue defines its parameters.

The catalogue of parametrised CRC algorithms (G. Cook) follows R. Williams, "A painless
guide to CRC error detection algorithms", 1993: the register of `width` bits starts at
init, message bits enter at its top, refin turns each octet round, refout the result.
"""

from __future__ import annotations


def _turned(value: int, width: int) -> int:
    return sum(((value >> k) & 1) << (width - 1 - k) for k in range(width))


def crc(rule: dict, octets: bytes) -> int:
    """A CRC, its parameters under the catalogue's names."""
    width, register = rule["width"], rule["init"]
    for octet in octets:
        bits = range(8) if rule["refin"] else range(7, -1, -1)
        for k in bits:
            top = (register >> (width - 1)) & 1
            register = (register << 1) % 2**width
            if top != (octet >> k) & 1:
                register ^= rule["poly"]
    if rule["refout"]:
        register = _turned(register, width)
    return register ^ rule["xorout"]


def fletcher(width: int, octets: bytes) -> int:
    """Two sums modulo all ones over words of half the width, low octet first."""
    half = width // 2
    step = half // 8
    low = high = 0
    for at in range(0, len(octets), step):
        low = (low + int.from_bytes(octets[at : at + step], "little")) % (2**half - 1)
        high = (high + low) % (2**half - 1)
    return high << half | low


def value(rule: dict | str, octets: bytes) -> int:
    """A check: a CRC by its parameters, the others by name."""
    if isinstance(rule, dict):
        return crc(rule, octets)
    if rule in ("sum-8", "sum-16"):
        return sum(octets) % 2 ** int(rule[4:])
    if rule == "lrc-8":
        return -sum(octets) % 256
    if rule == "xor-8":
        result = 0
        for octet in octets:
            result ^= octet
        return result
    return fletcher(int(rule.removeprefix("fletcher-")), octets)


def size(rule: dict | str) -> int:
    """Octets of its value."""
    if isinstance(rule, dict):
        return -(-rule["width"] // 8)
    return int(rule.rpartition("-")[2]) // 8
