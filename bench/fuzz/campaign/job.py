"""A campaign as plain JSON, and what becomes of one block of its cases.

Cases are numbered, and a block is a run of numbers; what is drawn for a number depends
on the seed and on it alone, so it does not matter who plays which block.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.fuzz.attacks import Attacks
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.profile.model import Profile


@dataclass(frozen=True)
class FuzzJob:
    """What all blocks of a campaign have in common.

    Attributes:
        template: The profile.
        node: Index of the node that is attacked.
        only: Names of the attacks; all that there are if empty.
        seed: What is drawn depends on it.
        block: Cases of a block.
    """

    template: Template
    node: int
    only: tuple[str, ...]
    seed: int
    block: int

    def as_dict(self) -> dict[str, Any]:
        """As strict JSON; see `job_of`."""
        return {
            "tables": self.template.tables,
            "node": self.node,
            "only": list(self.only),
            "seed": self.seed,
            "block": self.block,
        }

    @property
    def profile(self) -> Profile:
        """The profile."""
        return self.template.profile()

    def attacks(self) -> Attacks:
        """Who draws, lays and tells its cases.

        Raises:
            ProfileError: If the profile leaves nothing that could be judged.
        """
        return Attacks(self.profile, node=self.node)


def job_of(given: Mapping[str, Any]) -> FuzzJob:
    """What `FuzzJob.as_dict` wrote."""
    rest = given["node"], tuple(given["only"]), given["seed"], given["block"]
    return FuzzJob(Template(given["tables"]), *rest)
