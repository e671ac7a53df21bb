"""Golden vectors as one array of numpy, a record a vector.

Octets are filled up with zeros: `packet_octets`, `line_octets` and `own_octets` say how
many count.  `lanes` and `words` are zeros where `shown` is not set; where an output has
no port words there is no column of them.  A port word of 16 octets is two numbers, the
lower half first.  Numbers are little-endian on every machine.
"""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.node.golden import has_port_words
from bench.report.vectors.tables import digest_of, head_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from bench.golden import Vectors

__all__ = ["array_document", "rows_of"]


def array_document(vectors: Vectors, command: str) -> bytes:  # noqa: ARG001
    """All of it as a .npy file; there is no room in one for the command."""
    buffer = BytesIO()
    np.lib.format.write_array(buffer, rows_of(vectors), (1, 0), allow_pickle=False)
    return buffer.getvalue()


def rows_of(vectors: Vectors) -> NDArray[Any]:
    """The records."""
    rows = np.zeros(len(vectors.rows), _kind(vectors))
    rows["profile_digest"] = head_of(vectors)["profile_digest"].encode("ascii")
    rows["digest"] = digest_of(vectors).encode("ascii")
    for row, vector in zip(rows, vectors.rows, strict=True):
        row["name"], row["why"] = vector.name.encode(), vector.why.encode()
        row["refused"] = (vector.refused or "").encode()
        row["shown"], row["at"] = vector.refused is None, vector.at
        for column in ("packet", "line", "own"):
            octets = getattr(vector, column)
            row[f"{column}_octets"] = len(octets)
            row[column][: len(octets)] = np.frombuffer(octets, np.uint8)
        if vector.levels is not None:
            row["lanes"] = vector.levels
        if vector.words is not None:
            word = rows.dtype["words"].base
            row["words"] = (
                np.ascontiguousarray(vector.words)
                .view(word)
                .reshape(row["words"].shape)
            )
    return rows


def _kind(vectors: Vectors) -> np.dtype[np.void]:
    """The columns of a record."""
    rows, output = vectors.rows, vectors.node.output
    kind: list[Any] = [
        ("name", _text(row.name for row in rows)),
        ("why", _text(row.why for row in rows)),
        ("refused", _text(row.refused or "" for row in rows)),
        ("shown", "?"),
        ("at", "<i4"),
    ]
    for column in ("packet", "line", "own"):
        most = max(len(getattr(row, column)) for row in rows)
        kind += [(f"{column}_octets", "<i4"), (column, "u1", (most,))]
    kind.append(("lanes", "u1", (output.lanes, output.burst_clocks)))
    if has_port_words(output):
        halves = (2,) if output.word_octets == 16 else ()
        word = f"<u{min(output.word_octets, 8)}"
        kind.append(("words", word, (output.burst_clocks, *halves)))
    return np.dtype([*kind, ("profile_digest", "S64"), ("digest", "S64")])


def _text(texts: Iterable[str]) -> str:
    """The type of a column of short texts."""
    return f"S{max(1, *(len(text) for text in texts))}"
