"""Golden vectors as documents: a C header, JSON, an array of numpy.

The same vectors give the same octets, without dates, on every machine; all three say
what they belong to by the profile's digest and their own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.report.vectors.array import array_document
from bench.report.vectors.c import c_document
from bench.report.vectors.tables import json_document

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.golden import Vectors

__all__ = ["FORMS", "document"]

FORMS: dict[str, Callable[[Vectors, str], bytes]] = {
    "c": c_document,
    "json": json_document,
    "npy": array_document,
}
"""Each form with what writes it."""


def document(form: str, vectors: Vectors, command: str) -> bytes:
    """The document of some vectors.

    Args:
        form: One of `FORMS`.
        vectors: The vectors.
        command: What makes it again.
    """
    return FORMS[form](vectors, command)
