"""The simulated nodes of a profile as a link: in process, as fast as it goes.

Every node hears the same line and knows nothing of the others, so they are played side
by side on the cores there are; the kernel lets go of the interpreter while it works.
The result does not depend on how many cores there are.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import Line, Seen
from bench.link.evidence import NO_EVIDENCE
from bench.link.observes import EVERYTHING, Observes
from bench.node.simulated import Played, SimulatedNode
from bench.node.spec import node_specs

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    from bench.base.columns import Sent
    from bench.link.evidence import Evidence
    from bench.node.spec import NodeSpec
    from bench.profile.model import Profile


class SimulatedLink:
    """A bus with all nodes of a profile on it.

    Attributes:
        nodes: The nodes, in the order of the profile.
    """

    name = "simulated"
    most_octets = None

    def __init__(
        self,
        profile: Profile,
        *,
        seed: int = 0,
        shortcuts: bool = True,
        threads: int | None = None,
        specs: Sequence[NodeSpec] | None = None,
    ) -> None:
        """All nodes at rest, the bus idle.

        Args:
            profile: What they are.
            seed: Of their random delays.
            shortcuts: Whether the kernel may take whole interrupts at a time.
            threads: Cores that play them; all there are unless stated.
            specs: The nodes as they are; as the profile has them unless stated.

        Raises:
            ProfileError: If the profile asks for what the model does not simulate.
        """
        self.nodes = [
            SimulatedNode(spec, seed=seed, shortcuts=shortcuts)
            for spec in (node_specs(profile) if specs is None else specs)
        ]
        self._cut: list[list[Played]] = [[] for _ in self.nodes]
        workers = min(len(self.nodes), threads or os.cpu_count() or 1)
        self._pool = ThreadPoolExecutor(workers, "node") if workers > 1 else None

    @property
    def observes(self) -> Observes:
        """Everything: a simulated node hides nothing."""
        return EVERYTHING

    def reset(self, at_ns: int, nodes: Sequence[int] | None = None) -> None:
        """Let nodes begin anew, at the instant up to which the line was carried.

        What they showed half and dropped for it comes with what is carried next.

        Args:
            at_ns: The instant.
            nodes: Their indexes; all unless stated.
        """
        which = range(len(self.nodes)) if nodes is None else nodes
        for index in which:
            self._cut[index].append(self.nodes[index].reset(at_ns))

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:  # noqa: ARG002
        """See `Link.carry`."""
        if self._pool is None:
            played = [node.play(line) for node in self.nodes]
        else:
            played = list(self._pool.map(lambda node: node.play(line), self.nodes))
        parts = [
            part
            for cut, part in zip(self._cut, played, strict=True)
            for part in (*cut, part)
        ]
        self._cut = [[] for _ in self.nodes]
        return _joined(parts, line.until_ns)

    def evidence(self) -> Evidence:
        """See `Link.evidence`."""
        return NO_EVIDENCE

    def close(self) -> None:
        """See `Link.close`."""
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None

    def __enter__(self) -> SimulatedLink:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _joined(played: Sequence[Played], until_ns: int) -> Seen:
    """What all nodes did, one node after another."""
    moved = 0
    for part in played:
        part.shown["data_at"] += moved
        moved += part.data.shape[0]
    return Seen(
        np.concatenate([part.shown for part in played]),
        np.concatenate([part.data for part in played]),
        np.concatenate([part.dropped for part in played]),
        np.concatenate([part.lost for part in played]),
        until_ns,
    )
