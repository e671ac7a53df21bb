"""Golden vectors as JSON, and what all documents of them say at their head.

Octets are pairs of hexadecimal digits, and a port word is as many digits as it has,
highest first, with spaces between words; a lane is a row of 0 and 1 in the order of
time.
"""

from __future__ import annotations

import json
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from bench.golden.vectors import RANDOM
from bench.node.golden import has_port_words, port_bits
from bench.profile import profile_digest

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.golden import Vector, Vectors

VERSION = 1
"""Of what these documents hold; another one where a reader would have to change."""

__all__ = ["RANDOM", "VERSION", "digest_of", "head_of", "json_document"]


def json_document(vectors: Vectors, command: str) -> bytes:
    """All of it as JSON, ASCII, a vector a line."""
    head = {**head_of(vectors), "digest": digest_of(vectors), "made_by": command}
    lines = [f'  "{key}": {_json(value)},' for key, value in head.items()]
    rows = ",\n".join(f"    {_json(_row(row))}" for row in vectors.rows)
    text = "\n".join(["{", *lines, '  "vectors": [', rows, "  ]", "}", ""])
    return text.encode("ascii")


def head_of(vectors: Vectors) -> dict[str, Any]:
    """What the vectors belong to."""
    node, output = vectors.node, vectors.node.output
    words = has_port_words(output)
    return {
        "version": VERSION,
        "profile": vectors.profile.name,
        "profile_digest": profile_digest(vectors.profile),
        "node": node.name,
        "address": node.address,
        "seed": vectors.seed,
        "output": {
            "method": output.method,
            "signal": output.signal,
            "lanes": output.lanes,
            "lane_octets": output.lane_octets,
            "clocks": output.burst_clocks,
            "bit_order": "lsb-first" if output.signal == "uart" else output.bit_order,
            "word_octets": output.word_octets if words else None,
            "port_bits": list(port_bits(output)) if words else None,
        },
    }


def digest_of(vectors: Vectors) -> str:
    """What tells these vectors from others: SHA-256 over all that they hold."""
    rows = [_row(row) for row in vectors.rows]
    text = _json([head_of(vectors), rows])
    return sha256(text.encode("ascii")).hexdigest()


def _row(vector: Vector) -> dict[str, Any]:
    """One vector."""
    levels, words = vector.levels, vector.words
    return {
        "name": vector.name,
        "why": vector.why,
        "packet": _octets(vector.packet),
        "line": _octets(vector.line),
        "at": vector.at,
        "own": _octets(vector.own),
        "refused": vector.refused,
        "lanes": None if levels is None else [_levels(lane) for lane in levels],
        "words": None if words is None else _words(words),
    }


def _octets(octets: bytes) -> str:
    return octets.hex().upper()


def _levels(lane: NDArray[Any]) -> str:
    """A lane, clock by clock."""
    return bytes(lane + ord("0")).decode("ascii")


def _words(words: NDArray[Any]) -> str:
    """Port words, the highest digit of each first."""
    size = words.shape[1]
    text: str = words[:, ::-1].tobytes().hex(" ", size).upper()
    return text


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=True, allow_nan=False)
