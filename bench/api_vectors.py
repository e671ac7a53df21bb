"""Golden vectors from Python: what `nightbench vectors` writes.

    import bench
    from bench.api_vectors import vectors

    header = vectors(bench.load_profile("causeway"))

It only makes octets; whoever wants a file writes it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.api import refuse_number
from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.golden import vectors_of
from bench.golden.vectors import RANDOM
from bench.report.vectors import FORMS, document

if TYPE_CHECKING:
    from bench.profile import Profile

__all__ = ["MOST_RANDOM", "vectors"]

MOST_RANDOM = 1000
"""Random payloads at most: more make no header that anybody compiles."""


def vectors(
    profile: Profile,
    form: str = "c",
    *,
    node: str | None = None,
    seed: int = 0,
    random: int = RANDOM,
    command: str = "",
) -> bytes:
    """Golden vectors of a node: packets in, port words out.

    Args:
        profile: The profile; see `bench.load_profile`.
        form: "c", "json" or "npy".
        node: Its name; may be left out where all nodes are of one kind.
        seed: What random payloads depend on.
        random: How many payloads are random, beside those chosen on purpose.
        command: What C and JSON say that they can be made again with; the command for
            the profile's own name unless stated.

    Returns:
        The octets of the document; the same arguments give the same ones.

    Raises:
        UsageError: If there is no such form or node, or it is not told which node.
    """
    if form not in FORMS:
        raise UsageError(Fault("no such form", shown(form), " or ".join(FORMS)))
    refuse_number("seed", seed, 2**64 - 1)
    refuse_number("random", random, MOST_RANDOM)
    made = vectors_of(profile, node, seed=seed, random=random)
    return document(form, made, command or f"nightbench vectors {profile.name}")
