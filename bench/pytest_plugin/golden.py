"""Golden vectors for a test that calls its rearranging loop from Python."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.api_vectors import vectors
from bench.golden import vectors_of
from bench.golden.vectors import RANDOM
from bench.pytest_plugin.asked import told

if TYPE_CHECKING:
    from pathlib import Path

    from bench.golden import Vector
    from bench.profile import Profile

__all__ = ["GoldenVectors"]


class GoldenVectors:
    """The vectors of a profile's nodes.

    Attributes:
        profile: The profile.
        seed: What random ones depend on.
    """

    def __init__(self, profile: Profile, seed: int) -> None:
        self.profile = profile
        self.seed = seed

    def of(self, node: str | None = None, *, random: int = RANDOM) -> list[Vector]:
        """Those of a node; which may be left out where all are of one kind."""
        with told():
            made = vectors_of(self.profile, node, seed=self.seed, random=random)
            return list(made.rows)

    def write(self, file: Path, form: str = "c", *, node: str | None = None) -> Path:
        """Write them where a build finds them, a C header unless told otherwise."""
        with told():
            octets = vectors(self.profile, form, node=node, seed=self.seed)
        file.write_bytes(octets)
        return file
