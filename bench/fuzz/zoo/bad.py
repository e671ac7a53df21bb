"""`BadNode`: a good node that is wrong by a number, and how it is reached."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from bench.node.spec import node_specs

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.fuzz.attacks import Attacks
    from bench.fuzz.batch import Batch
    from bench.node.link import SimulatedLink
    from bench.node.spec import NodeSpec
    from bench.profile.model import Profile
    from bench.wire.format import Layout

__all__ = ["Animal", "BadNode", "any_node", "with_layout", "with_parts"]


def any_node(spec: NodeSpec) -> bool:  # noqa: ARG001
    """Whether a node has what another could be wrong about: every one does."""
    return True


@dataclass(frozen=True, slots=True)
class Animal:
    """One way to be wrong.

    Attributes:
        name: What it is called.
        sentence: What is wrong, as its maker would say it.
        change: Makes a good node a bad one.
        board: The board that brings it out.
        needs: Whether a node has what it is wrong about.
        smallest: Fewest rows with which it can be seen, where that is known; 0: good
            traffic is enough.
    """

    name: str
    sentence: str
    change: Callable[[NodeSpec], NodeSpec]
    board: str = "causeway"
    needs: Callable[[NodeSpec], bool] = any_node
    smallest: int | None = None


@dataclass(frozen=True, slots=True)
class BadNode:
    """One bad node on a bus of good ones.

    Attributes:
        name: What it is called.
        kind: Of what kind it is: "framing", "timing" or "lights" and so on.
        sentence: What is wrong with it.
        profile: What it should be.
        spec: What it is.
        smallest: Fewest rows with which it can be seen; None where that is not known.
    """

    name: str
    kind: str
    sentence: str
    profile: Profile
    spec: NodeSpec
    smallest: int | None

    @classmethod
    def of(cls, animal: Animal, profile: Profile) -> BadNode | None:
        """A bad node of a profile; None if it has nothing to be so wrong about."""
        good = node_specs(profile)[0]
        if not animal.needs(good):
            return None
        spec = animal.change(good)
        if spec == good:
            return None
        kind = animal.change.__module__.rpartition(".")[2]
        return cls(animal.name, kind, animal.sentence, profile, spec, animal.smallest)

    def make_link(self) -> SimulatedLink:
        """A bus at rest with this node on it in the place of the first good one."""
        from bench.node.link import SimulatedLink

        specs = [self.spec, *node_specs(self.profile)[1:]]
        return SimulatedLink(self.profile, threads=1, specs=specs)

    def attacks(self) -> Attacks:
        """The attacks that a good node in its place would stand."""
        from bench.fuzz.attacks import Attacks

        return Attacks(self.profile)

    def batch(
        self,
        attacks: Attacks | None = None,
        *,
        only: Sequence[str] = (),
        threads: int | None = None,
    ) -> Batch:
        """Very many cases on it."""
        from bench.fuzz.batch import Batch

        made = self.attacks() if attacks is None else attacks
        return Batch(made, self.spec, only=only, threads=threads)


def with_layout(spec: NodeSpec, layout: Layout) -> NodeSpec:
    """The same node with another idea of where a packet's fields are."""
    return replace(spec, packet=replace(spec.packet, layout=layout))


def with_parts(spec: NodeSpec, **parts: dict[str, Any]) -> NodeSpec:
    """The same node, some numbers of its parts others.

    Args:
        spec: The node.
        parts: By the part's name in `NodeSpec`, what is different in it.
    """
    changed = {
        name: replace(getattr(spec, name), **numbers) for name, numbers in parts.items()
    }
    return replace(spec, **changed)
