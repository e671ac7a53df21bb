"""Golden vectors as a C header: C99, and C++ from C++11 on; printable ASCII.

Constants stand under names that begin with the profile's and `VECTORS`, so that the
header goes beside the one of `nightbench header`; of two states of a profile, or other
vectors under the same names, an `#error` stops the build.  Whatever is not changed by
stuffing is there once, and what is the same in two vectors, too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.node.golden import has_port_words
from bench.profile import profile_digest
from bench.report.header.lines import Part, hexadecimal, number, number_list
from bench.report.header.names import comment, prefix_of
from bench.report.vectors.tables import digest_of, head_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from typing import Any

    from numpy.typing import NDArray

    from bench.golden import Vector, Vectors

__all__ = ["c_document"]

_WIDTH = 88


def c_document(vectors: Vectors, command: str) -> bytes:
    """All of it as C."""
    prefix = prefix_of(vectors.profile.name)
    digest = digest_of(vectors)
    guard, known = f"{prefix}_VECTORS_H", f"0x{digest[:8].upper()}UL"
    profile, node = vectors.profile, vectors.node
    lines = [
        comment(f"{profile.name}: golden vectors of node {node.name}"),
        comment(_out(vectors)),
        comment(f"profile digest {profile_digest(profile)}"),
        comment(f"vectors digest {digest}"),
        comment("Generated: do not edit.  Change the profile, and make it again by"),
        comment(f"    {command}"),
        "",
        f"#ifndef {guard}",
        f"#define {guard}",
        "",
        "#include <stddef.h>",
        "#include <stdint.h>",
        *_same_profile(prefix, profile_digest(profile)),
        *_constants(prefix, vectors, known),
        *_Arrays(prefix, vectors).lines(),
        "",
        f"#elif {prefix}_VECTORS_DIGEST_32 != {known}",
        f'#error "other vectors whose names begin with {prefix}_ were included before"',
        "#endif",
    ]
    return ("\n".join(lines) + "\n").encode("ascii")


def _out(vectors: Vectors) -> str:
    """What comes out."""
    if has_port_words(vectors.node.output):
        return "packets in, port words out, clock by clock"
    return "packets in, octets out, lane by lane: hardware makes bits of them"


def _same_profile(prefix: str, digest: str) -> list[str]:
    """Stop a build with the header of another state of the profile."""
    known = f"0x{digest[:8].upper()}UL"
    return [
        "",
        f"#if defined({prefix}_DIGEST_32) && {prefix}_DIGEST_32 != {known}",
        f'#error "{prefix}_ constants were included that are of another profile"',
        "#endif",
    ]


def _constants(prefix: str, vectors: Vectors, known: str) -> list[str]:
    """What all vectors have in common."""
    head, output = head_of(vectors), vectors.node.output
    part = Part(prefix, "what the vectors have in common")
    part.define("VECTORS_DIGEST_32", known, "first eight digits of their digest")
    part.define("VECTORS", number(len(vectors.rows)))
    part.define("VECTORS_SEED", number(vectors.seed), "of the random ones")
    part.define("VECTORS_ADDRESS", number(head["address"]), "of the node")
    part.define("VECTORS_LANES", number(output.lanes))
    what = "of one lane among the node's"
    part.define("VECTORS_LANE_OCTETS", number(output.lane_octets), what)
    if not has_port_words(output):
        return part.lines()
    what = "one for each clock" if output.signal == "clocked" else "one for each bit"
    part.define("VECTORS_WORDS", number(output.burst_clocks), what)
    part.define("VECTORS_WORD_OCTETS", number(output.word_octets))
    bits = number_list(head["output"]["port_bits"])
    part.say("port-word bit of each lane; all others are 0")
    part.define("VECTORS_LANE_BITS", bits)
    return part.lines()


class _Arrays:
    """The arrays of octets and words, each there once, and the table over them."""

    def __init__(self, prefix: str, vectors: Vectors) -> None:
        self._name = prefix.lower()
        self._vectors = vectors
        self._size = vectors.node.output.word_octets
        self._words = has_port_words(vectors.node.output)
        self._there: dict[tuple[str, bytes], str] = {}
        self._text: list[str] = []

    def lines(self) -> list[str]:
        """The arrays, the type of a vector, and the table."""
        name = self._name
        rows = [self._row(vector) for vector in self._vectors.rows]
        return [
            "",
            *self._types(),
            "",
            comment("octets and port words"),
            *self._text,
            "",
            comment("the vectors"),
            f"static const {name}_vector {name}_vectors[] = {{",
            *rows,
            "};",
        ]

    def _types(self) -> list[str]:
        """The types of a word and of a vector."""
        name, size = self._name, self._size
        lines = []
        if self._words:
            word = f"uint{8 * size}_t"
            if size == 16:
                word = "struct {\n    uint64_t low;\n    uint64_t high;\n}"
            lines += [comment("a port word"), f"typedef {word} {name}_vectors_word;"]
            lines.append("")
        fields = [
            ("const char *name;", ""),
            ("const char *why;", "what it shows"),
            ("const char *refused;", "why nothing is shown; NULL: it is shown"),
            ("const uint8_t *packet;", "unstuffed, marker included"),
            ("size_t packet_octets;", ""),
            ("const uint8_t *line;", "the same on the line"),
            ("size_t line_octets;", ""),
            ("const uint8_t *own;", "the node's octets in the packet, lane 0 first"),
            ("size_t own_octets;", "0: the packet has not enough"),
        ]
        if self._words:
            fields += [
                (f"const {name}_vectors_word *words;", "NULL: nothing is shown"),
                ("size_t words_count;", ""),
            ]
        lines.append("typedef struct {")
        across = max(len(field) for field, what in fields if what)
        lines += [
            f"    {field:<{across}}  {comment(what)}" if what else f"    {field}"
            for field, what in fields
        ]
        return [*lines, f"}} {name}_vector;"]

    def _row(self, vector: Vector) -> str:
        """One vector in the table."""
        packet = self._octets(vector.packet)
        line = self._octets(vector.line)
        own = f"{packet} + {number(vector.at)}" if vector.own else "NULL"
        refused = "NULL" if vector.refused is None else f'"{vector.refused}"'
        cells = [
            f'"{vector.name}", "{vector.why}", {refused}',
            f"{packet}, {number(len(vector.packet))}",
            f"{line}, {number(len(vector.line))}",
            f"{own}, {number(len(vector.own))}",
        ]
        if self._words and vector.words is None:
            cells.append("NULL, 0U")
        elif vector.words is not None:
            count = number(len(vector.words))
            cells.append(f"{self._port_words(vector.words)}, {count}")
        return "    {" + ",\n     ".join(cells) + "},"

    def _octets(self, octets: bytes) -> str:
        """The name of an array of octets."""
        values = (f"0x{octet:02X}" for octet in octets)
        return self._array("uint8_t", "octets", octets, values)

    def _port_words(self, words: NDArray[Any]) -> str:
        """The name of an array of port words."""
        numbers = [int.from_bytes(word.tobytes(), "little") for word in words]
        values: Iterable[str] = (hexadecimal(one, self._size) for one in numbers)
        if self._size == 16:
            halves = [(one & (1 << 64) - 1, one >> 64) for one in numbers]
            values = (
                f"{{{hexadecimal(low, 8)}, {hexadecimal(high, 8)}}}"
                for low, high in halves
            )
        elif self._size == 1:
            values = (f"0x{one:02X}" for one in numbers)
        kind = f"{self._name}_vectors_word"
        return self._array(kind, "words", words.tobytes(), values)

    def _array(
        self, kind: str, what: str, content: bytes, values: Iterable[str]
    ) -> str:
        """The name of an array, which is written unless it is there already."""
        name = self._there.get((what, content))
        if name is None:
            name = f"{self._name}_vectors_{what}_{len(self._there)}"
            self._there[what, content] = name
            listed = list(values)
            self._text.append(f"static const {kind} {name}[{len(listed)}] = {{")
            self._text += _rows(listed)
            self._text.append("};")
        return name


def _rows(values: Sequence[str]) -> list[str]:
    """Values in rows of equal length."""
    across = 1
    while 4 + 2 * across * (len(values[0]) + 2) <= _WIDTH:
        across *= 2
    return [
        f"    {', '.join(values[at : at + across])},"
        for at in range(0, len(values), across)
    ]
