"""The simulated boards for a test: traffic in, what they showed out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.columns import Drop
from bench.link.lines import word_of
from bench.node.link import SimulatedLink
from bench.pytest_plugin.asked import told
from bench.pytest_plugin.seen import Did, traffic_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bench.api import StreamResult
    from bench.profile import Profile
    from bench.strategies.sent import Piece, Traffic

__all__ = ["Bus"]


class Bus:
    """All boards of a profile on one line, without hardware and without waiting.

    Attributes:
        profile: What they are.
        seed: What their random delays depend on.
    """

    def __init__(
        self, profile: Profile, seed: int, make_folder: Callable[[str], Path]
    ) -> None:
        """Boards that are switched on for everything that is sent.

        Args:
            profile: What they are.
            seed: What their random delays depend on.
            make_folder: Makes a folder for a ledger.
        """
        self.profile = profile
        self.seed = seed
        self._make_folder = make_folder
        with told():
            SimulatedLink(profile, seed=seed).close()

    def send(self, sent: Traffic | Piece | bytes) -> Did:
        """Switch the boards on, send, and wait until all have come to rest.

        Args:
            sent: Traffic, a piece of it, or octets.
        """
        traffic = traffic_of(self.profile, sent)
        # Threads would cost more than so short a line takes to play.
        with SimulatedLink(self.profile, seed=self.seed, threads=1) as link:
            seen = link.carry(traffic.line())
        names = [node.name for node in self.profile.node]
        did = Did.nothing(self.profile)
        for row in seen.shown[seen.shown["shown_ns"] >= 0]:
            at, name = int(row["data_at"]), names[row["node"]]
            octets = seen.data[at : at + int(row["data_octets"])].tobytes()
            did.shown[name].append(octets)
            did.clocks[name].append(int(row["clocks"]))
        for row in seen.dropped:
            did.dropped[names[row["node"]]].append(word_of(Drop(int(row["reason"]))))
        for row in seen.lost:
            did.lost[names[row["node"]]] += 1
        return did

    def stream(self, **request: Any) -> StreamResult:
        """Stream the profile's own traffic; see `bench.stream`."""
        from bench.api import stream

        with told():
            request = {"seed": self.seed, **request}
            request.setdefault("logs", self._make_folder("logs"))
            return stream(self.profile, **request)
