"""The check in C: its parameters, its table, and functions that compute it.

The functions take an octet at a time, as a receive interrupt does, or a run of them.
How a CRC is computed octet by octet: a register whose lowest bit leads (`refin`) is
shifted down and the table is indexed by its low octet; any other lies at the top of
its type, however few bits it has, is shifted up, and the table is indexed by its high
octet (D. V. Sarwate, "Computation of cyclic redundancy checks via table look-up",
1988).  What is turned round or xored at the end is done once, in `…_check_end`.

The table is worked out here from the polynomial, by shifting bits; the values that
the bench itself computes come from elsewhere, and tests hold one against the other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.report.header.lines import Part, hexadecimal, number
from bench.report.header.names import comment
from bench.wire.checks import CHECK_INPUT, Kind

if TYPE_CHECKING:
    from bench.wire.checks import Check

_WIDTHS = (8, 16, 32, 64)
"""Bits of the types that a register may have."""

_PER_LINE = {8: 8, 16: 8, 32: 6, 64: 3}
"""Entries of a table on one line, by their bits."""


def type_bits(check: Check) -> int:
    """Bits of the type that holds the value of a check."""
    return next(bits for bits in _WIDTHS if bits >= check.width)


def check_constants(prefix: str, check: Check) -> list[str]:
    """The parameters of a check, and its value over the nine digits."""
    part = Part(prefix, "the check")
    size = type_bits(check) // 8
    part.say(f"{check.name}, {check.width} bits")
    part.define("CHECK_BITS", number(check.width))
    if check.kind == Kind.CRC:
        part.define(
            "CHECK_POLY", hexadecimal(check.poly, size), "highest term left out"
        )
        part.define("CHECK_INIT", hexadecimal(check.init, size))
        part.either("CHECK_REFIN", check.refin, "1: low bit of an octet first")
        part.either("CHECK_REFOUT", check.refout, "1: result turned round")
        part.define("CHECK_XOROUT", hexadecimal(check.xorout, size))
    else:
        part.say(_RULES[check.kind].format(half=check.width // 2, bits=check.width))
        if check.xorout or check.init:
            part.say("at the end: inverted, then one added (two's complement)")
    value = hexadecimal(check.compute(CHECK_INPUT), size)
    part.define("CHECK_VALUE", value, 'over the nine octets "123456789"')
    return part.lines()


_RULES = {
    Kind.SUM: "the sum of the octets, modulo 2 to the {bits}",
    Kind.XOR: "the octets xored with each other",
    Kind.FLETCHER: "two sums of {half} bits, modulo {half} ones, the second one on top",
}


def check_functions(prefix: str, check: Check) -> list[str]:
    """The table, if there is one, and the functions."""
    name = prefix.lower()
    value = f"uint{type_bits(check)}_t"
    makers = {Kind.CRC: _crc, Kind.SUM: _sum, Kind.XOR: _xor}
    if check.kind == Kind.FLETCHER:
        body = _fletcher_8(name) if check.width == 16 else _fletcher_16(name)
    else:
        body = makers[check.kind](name, check)
    return [*body, *_over_a_run(name, value)]


def _over_a_run(name: str, value: str) -> list[str]:
    """The function over a run of octets."""
    return [
        "",
        comment("the check over a run of octets"),
        f"static inline {value} {name}_check(",
        "    const uint8_t *octets, size_t count)",
        "{",
        f"    {name}_check_register r = {name}_check_begin();",
        "    size_t at;",
        "    for (at = 0; at < count; at++) {",
        f"        r = {name}_check_octet(r, octets[at]);",
        "    }",
        f"    return {name}_check_end(r);",
        "}",
    ]


def _functions(
    name: str, value: str, begin: str, octet: list[str], end: str
) -> list[str]:
    """The three functions that a check is computed with, octet by octet."""
    register = f"{name}_check_register"
    return [
        "",
        comment("before the first octet"),
        f"static inline {register} {name}_check_begin(void)",
        "{",
        f"    {begin}",
        "}",
        "",
        comment("after one more octet"),
        f"static inline {register} {name}_check_octet(",
        f"    {register} r, uint8_t octet)",
        "{",
        *[f"    {line}" for line in octet],
        "}",
        "",
        comment("the value after the last octet"),
        f"static inline {value} {name}_check_end({register} r)",
        "{",
        f"    {end}",
        "}",
    ]


# --- cyclic redundancy checks ---------------------------------------------------------


def crc_table(check: Check) -> list[int]:
    """The register after each octet alone, as the functions hold it.

    Args:
        check: A CRC.

    Returns:
        256 entries: of `refin`, the register with its lowest bit leading; else with its
        highest bit at the top of its type.
    """
    bits = type_bits(check)
    if check.refin:
        poly = turned(check.poly, check.width)
        table = list(range(256))
        for _ in range(8):
            table = [(r >> 1) ^ (poly if r & 1 else 0) for r in table]
        return table
    poly, top = check.poly << (bits - check.width), 1 << (bits - 1)
    table = [octet << (bits - 8) for octet in range(256)]
    for _ in range(8):
        table = [((r << 1) ^ (poly if r & top else 0)) % (2 * top) for r in table]
    return table


def turned(value: int, width: int) -> int:
    """A number of so many bits, its lowest bit first."""
    return int(f"{value:0{width}b}"[::-1], 2)


def _crc(name: str, check: Check) -> list[str]:
    """Table and functions of a CRC."""
    bits = type_bits(check)
    value, above, size = f"uint{bits}_t", bits - check.width, bits // 8
    init = check.init << above
    index, shifted = f"(r >> {bits - 8}) ^ octet", "r << 8"
    if check.refin:
        init, index, shifted = turned(check.init, check.width), "r ^ octet", "r >> 8"
    if bits == 8:  # nothing is left of the register
        index, step = "r ^ octet", f"{name}_check_table[(r ^ octet) & 0xFFU]"
    else:
        step = f"({value})(({shifted}) ^ {name}_check_table[({index}) & 0xFFU])"
    last = f"r >> {above}" if above and not check.refin else "r"
    turn = []
    if check.refin != check.refout:
        turn = _turning(name, value, check.width)
        last = f"{name}_check_turned(({value})({last}))"
    end = last if turn or last == "r" else f"({value})({last})"
    if check.xorout:
        end = f"({value})(({last}) ^ {hexadecimal(check.xorout, size)})"
    return [
        "",
        f"typedef {value} {name}_check_register;",
        "",
        *_table(name, check),
        *turn,
        *_functions(
            name,
            value,
            f"return {hexadecimal(init, size)};",
            [f"return {step};"],
            f"return {end};",
        ),
    ]


def _table(name: str, check: Check) -> list[str]:
    """The table as C."""
    bits = type_bits(check)
    entries = [hexadecimal(entry, bits // 8) for entry in crc_table(check)]
    across = _PER_LINE[bits]
    rows = [", ".join(entries[at : at + across]) for at in range(0, 256, across)]
    return [
        comment("the register after each octet alone"),
        f"static const uint{bits}_t {name}_check_table[256] = {{",
        *[f"    {row}," for row in rows[:-1]],
        f"    {rows[-1]}",
        "};",
    ]


def _turning(name: str, value: str, width: int) -> list[str]:
    """A function that turns a register round."""
    return [
        "",
        comment(f"{width} bits, the lowest one first"),
        f"static inline {value} {name}_check_turned({value} bits)",
        "{",
        f"    {value} turned = 0;",
        "    unsigned count;",
        f"    for (count = 0; count < {width}U; count++) {{",
        f"        turned = ({value})((turned << 1) | (bits & 1U));",
        f"        bits = ({value})(bits >> 1);",
        "    }",
        "    return turned;",
        "}",
    ]


# --- sums -----------------------------------------------------------------------------


def _sum(name: str, check: Check) -> list[str]:
    """A sum of octets."""
    bits = type_bits(check)
    value, size = f"uint{bits}_t", bits // 8
    end = "r"
    if check.xorout or check.init:
        inverted = f"(r ^ {hexadecimal(check.xorout, size)})"
        end = f"({value})({inverted} + {hexadecimal(check.init, size)})"
    step = f"return ({value})(r + octet);"
    typedef = f"typedef {value} {name}_check_register;"
    return [
        "",
        typedef,
        *_functions(name, value, "return 0;", [step], f"return {end};"),
    ]


def _xor(name: str, check: Check) -> list[str]:
    """Octets xored with each other."""
    value = f"uint{type_bits(check)}_t"
    typedef = f"typedef {value} {name}_check_register;"
    step = f"return ({value})(r ^ octet);"
    return ["", typedef, *_functions(name, value, "return 0;", [step], "return r;")]


def _fletcher_8(name: str) -> list[str]:
    """Two sums of octets, modulo 255."""
    step = [
        "const unsigned low = ((r & 0xFFU) + octet) % 255U;",
        "const unsigned high = ((unsigned)(r >> 8) + low) % 255U;",
        "return (uint16_t)((high << 8) | low);",
    ]
    typedef = f"typedef uint16_t {name}_check_register;"
    return ["", typedef, *_functions(name, "uint16_t", "return 0;", step, "return r;")]


def _fletcher_16(name: str) -> list[str]:
    """Two sums of words of two octets, the low one first, modulo 65535."""
    register = f"{name}_check_register"
    step = [
        "const uint32_t part = r.odd ? (uint32_t)octet << 8 : octet;",
        "r.low = (r.low + part) % 65535UL;",
        "r.high = (r.high + (r.odd ? part : r.low)) % 65535UL;",
        "r.odd = !r.odd;",
        "return r;",
    ]
    begin = f"const {register} r = {{0, 0, 0}};\n    return r;"
    end = "return (uint32_t)((r.high << 16) | r.low);"
    return [
        "",
        "typedef struct {",
        "    uint32_t low;   /* the words */",
        "    uint32_t high;  /* the first sum after each word */",
        "    int odd;        /* 1: half a word was added */",
        f"}} {register};",
        *_functions(name, "uint32_t", begin, step, end),
    ]
