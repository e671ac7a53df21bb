"""Golden vectors: packets in, port words out, for a firmware's own unit tests.

`payloads.py` chooses what payloads hold, `vectors.py` makes packets of them, some of
which a node has to refuse.  What port words are is told in `bench.node.golden`.
"""

from bench.golden.vectors import Vector, Vectors, vectors_of

__all__ = ["Vector", "Vectors", "vectors_of"]
